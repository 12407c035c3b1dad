"""Images of a point spread at a few columns, each by a transform of its own.

The grids of a model serve any place, but there are dozens of nodes and four widths to a place.
Where only a handful of columns are asked for, this is quicker, and nothing is interpolated but the
path of the stars, which is smoother than its image.
"""

from dataclasses import replace

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from pipeline.stages.cutouts import stack_cutouts
from pipeline.stages.moments import Moments, measure_moments
from pipeline.stages.psf_model import BOX_MARGIN, FINE_FWHM, PsfModel
from pipeline.stages.psf_transforms import cut_image, fold, round_transform
from pipeline.stages.spline_kernels import grid_half_size

__all__ = ["model_moments", "render_columns"]

FloatArray = NDArray[np.float64]


def render_columns(model: PsfModel, fwhm: ArrayLike, columns: ArrayLike) -> FloatArray:
    """Images of unit flux on the central pixels of stamps, for every seeing and every column.

    Parameters
    ----------
    model : PsfModel
        Its seeing does not count.
    fwhm : array_like of shape (n_widths,)
        Seeing, px.
    columns : array_like of shape (n_columns,)
        Increasing.

    Returns
    -------
    ndarray of shape (n_widths, n_columns, size, size)
        `size` is twice the model's half size plus one.
    """
    widths = np.atleast_1d(np.asarray(fwhm, dtype=float))
    columns = np.atleast_1d(np.asarray(columns, dtype=float))
    half = model.half_size
    out = np.empty((widths.size, columns.size, 2 * half + 1, 2 * half + 1))
    fine = widths < FINE_FWHM
    for oversample, which in ((2, np.flatnonzero(~fine)), (4, np.flatnonzero(fine))):
        if not which.size:
            continue
        local = replace(_with_nodes(model, columns), oversample=oversample)
        size = 2 * (half + BOX_MARGIN) * oversample
        v = np.fft.rfftfreq(size, 1.0 / oversample).astype(np.float64)
        seeing = [round_transform(v, float(w), model.beta)[fold(size)] for w in widths[which]]
        middle = grid_half_size(half, oversample)
        pixels = slice(middle - half * oversample, middle + half * oversample + 1, oversample)
        for c in range(columns.size):
            smear = local.smear_transform(c, size)
            for w, transform in zip(which, seeing, strict=True):
                image = cut_image(smear * transform, half_size=half, oversample=oversample)
                out[w, c] = image[pixels, pixels]
    return out


def model_moments(
    model: PsfModel, fwhm: ArrayLike, columns: ArrayLike, window: ArrayLike
) -> list[Moments]:
    """Moments that noise-free stars would be measured to have.

    Parameters
    ----------
    model : PsfModel
        Its seeing does not count.
    fwhm : array_like of shape (n_widths,)
        Seeing, px.
    columns : array_like of shape (n_columns,)
        Increasing.
    window : array_like of shape (n_columns,) or scalar
        As in `measure_moments`.

    Returns
    -------
    list of Moments
        One for each seeing, of all columns. Their errors mean nothing.
    """
    return [
        measure_moments(stack_cutouts(images, 0.0, d_line=0.0, d_column=0.0), window)
        for images in render_columns(model, fwhm, columns)
    ]


def _with_nodes(model: PsfModel, columns: FloatArray) -> PsfModel:
    """The same point spread with its nodes at other columns."""
    at = model.node_columns

    def move(path: FloatArray) -> FloatArray:
        if at.size == 1:
            return np.repeat(path, columns.size, axis=0)
        # Through fewer than four nodes there goes a parabola or a line.
        return np.asarray(CubicSpline(at, path)(columns))

    # The polynomials of the optics are in the column between the first and the last node.
    first, last = columns[0], columns[-1]
    ends = model.scaled_column(np.array([0.5 * (first + last), 0.5 * (first + last) + 0.5]))
    half = max(0.5 * (last - first), 1.0)
    inner = Polynomial([ends[0], 2.0 * half * (ends[1] - ends[0])])
    optics = np.zeros_like(model.optics)
    for row, q in zip(optics, model.optics, strict=True):
        moved = Polynomial(q)(inner).coef
        row[: moved.size] = moved
    return replace(
        model, node_columns=columns, path_line=move(model.path_line),
        path_column=move(model.path_column), path_weight=move(model.path_weight), optics=optics,
    )  # fmt: skip
