"""Cutouts hold one source each."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.cutouts import isolate_sources, stack_cutouts
from pipeline.stages.psf_model import make_psf_model
from pipeline.stages.source_models import SourceModels, draw_models, make_model_image
from pipeline.stages.spline_kernels import render_stamp

MODEL = make_psf_model([0.0], [2.4], [0.0], beta=3.0, path=None, optics=None, half_size=16)
LINES, COLUMNS, FLUX = np.array([1030.2, 1034.8]), np.array([30.4, 31.0]), np.array([1e4, 5e4])


def isolate(image, mask=None, **changes):
    settings = {"first_line": 1000, "photon_variance": None, "half_size": 10, "which": [0]}
    return isolate_sources(
        image,
        np.full(image.shape, 100.0, np.float32),
        np.zeros(image.shape, np.uint16) if mask is None else mask,
        LINES,
        COLUMNS,
        FLUX,
        MODEL,
        **(settings | changes),
    )


def scene(fluxes=FLUX):
    return make_model_image((60, 60), LINES, COLUMNS, fluxes, MODEL, first_line=1000, half_size=16)


def test_the_neighbour_is_gone_and_its_noise_stays():
    cut = isolate(scene())
    alone = scene([1e4, 0.0])[20:41, 20:41]
    np.testing.assert_allclose(cut.image, alone, atol=0.01)
    # Variance: background and the neighbour's photons, not the source's own.
    np.testing.assert_allclose(cut.variance, 100 + scene([0.0, 5e4])[20:41, 20:41], rtol=1e-4)
    assert cut.row[0] == pytest.approx(10.2, abs=1e-8)
    assert cut.column[0] == pytest.approx(10.4, abs=1e-8)


def test_bad_pixels_are_filled_with_the_model_and_counted():
    image = scene()
    mask = np.zeros(image.shape, np.uint16)
    image[30, 30], mask[30, 30] = -1e6, PixelMask.DEAD
    cut = isolate(image, mask)
    assert cut.image[10, 10] == pytest.approx(scene([1e4, 0.0])[30, 30], rel=1e-5)
    assert cut.lost.sum() == 1
    assert cut.lost[10, 10] == 1
    assert image[30, 30] == -1e6


def test_pixels_beyond_the_image_are_lost():
    cut = isolate(scene(), half_size=25)
    # 30 + 25 columns and lines are inside to the right, 5 missing to neither side.
    assert cut.lost.sum() == 0
    cut = isolate(scene()[:, :35].copy(), half_size=8)
    # Columns 35 to 38 of the seventeen do not exist.
    assert cut.lost.sum() == 4 * 17


def test_given_models_are_used_instead_of_made_again():
    drawn = draw_models((60, 60), LINES, COLUMNS, FLUX, MODEL, first_line=1000, half_size=16)
    cut, again = isolate(scene()), isolate(scene(), models=drawn)
    np.testing.assert_array_equal(cut.image, again.image)
    with pytest.raises(ValueError, match="models: must have the image's shape"):
        isolate(scene(), models=replace(drawn, image=np.zeros((2, 2), np.float32)))


@pytest.mark.parametrize(("half", "cutout"), [(5, 10), (16, 10), (16, 20)])
def test_own_light_stays_whichever_pixel_the_models_are_drawn_about(half, cutout):
    """Models as a fit leaves them: cut off at their half size about the pixel of the detection."""
    drawn = SourceModels(
        np.zeros((60, 60), np.float32), np.rint(LINES).astype(int) + 1,
        np.rint(COLUMNS).astype(int) - 1, np.array([half, 0]),
    )  # fmt: skip
    # Source 0 alone, by the model itself, on the pixels about (1031, 29).
    whole = np.zeros((80, 80))
    star = MODEL.blend(1030.2, 30.4, half)
    stamp = np.empty((2 * half + 1,) * 2)
    render_stamp(star, MODEL.oversample, 1030.2 - 1031, 30.4 - 29, 0, 0, stamp)
    whole[41 - half : 42 + half, 39 - half : 40 + half] = 1e4 * stamp
    drawn = replace(drawn, image=whole[10:70, 10:70].astype(np.float32))
    image = np.zeros((60, 60))
    cut = isolate(image, models=drawn, half_size=cutout)
    # The model is its own light: nothing is taken off, up to rounding of a hundred electrons.
    np.testing.assert_allclose(cut.image, 0.0, atol=1e-3)


def test_a_position_is_the_same_bits_wherever_its_cutout_lies_in_the_stack():
    images = np.zeros((1000, 21, 21))
    stack = stack_cutouts(images, 1.0, d_line=0.123456789012345, d_column=0.1)
    fraction = stack.row - np.arange(1000) * 21 - 10
    assert np.unique(fraction).size == 1


def test_refuses_even_stamps():
    with pytest.raises(ValueError, match="images: must have shape"):
        stack_cutouts(np.zeros((1, 4, 4)), 1.0, d_line=0.0, d_column=0.0)
    with pytest.raises(ValueError, match="half_size: must be at least 1"):
        isolate(scene(), half_size=0)
