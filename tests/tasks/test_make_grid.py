"""The sky grid of an observatory comes from its configuration alone."""

import numpy as np
import pytest
from astropy.coordinates import FK5, SkyCoord

from pipeline.config import describe_config, parse_config
from pipeline.errors import ConfigError
from pipeline.tasks.tiles import make_grid

CONFIG = parse_config(describe_config())


def change(**values):
    config = CONFIG
    for key, value in values.items():
        config = config.with_value(key.replace("__", "."), value)
    return config


def test_the_band_holds_the_chip_and_all_it_may_be_off_by():
    grid = make_grid(CONFIG)
    half = 0.5 * CONFIG.camera.columns * CONFIG.camera.pixel_scale / 3600
    precession = 20.0 * 30 / 3600  # arcsec a year, thirty years from the grid's epoch
    reach = half + CONFIG.astrometry.search_pointing / 60 + precession
    assert grid.dec_min_deg <= CONFIG.axis_declination - reach + 1e-12
    assert grid.dec_max_deg >= CONFIG.axis_declination + reach - 1e-12
    # No more than that, but for whole rings.
    ring = grid.size * grid.pixel_scale / 3600
    assert grid.dec_max_deg - grid.dec_min_deg < 2 * reach + 2 * ring


def test_scale_is_the_camera_s_unless_the_tiles_have_their_own():
    assert make_grid(CONFIG).pixel_scale == CONFIG.camera.pixel_scale
    assert make_grid(change(tiles__pixel_scale=0.4)).pixel_scale == 0.4


def test_size_overlap_epoch_and_sign_are_the_configured_ones():
    config = change(tiles__size=512, tiles__overlap=32, tiles__epoch=2030.0, camera__column_sign=-1)
    grid = make_grid(config)
    assert (grid.size, grid.overlap, grid.epoch, grid.column_sign) == (512, 32, 2030.0, -1)


def test_the_axis_has_a_declination_of_its_own():
    lower, own = make_grid(CONFIG), make_grid(change(pointing__declination=-10.0))
    assert own.dec_min_deg < -10.0 < own.dec_max_deg
    assert own.dec_max_deg - own.dec_min_deg == pytest.approx(lower.dec_max_deg - lower.dec_min_deg)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"pointing__declination": -86.0}, "85 degrees of the equator"),
        ({"tiles__size": 256, "tiles__overlap": 120}, r"tiles\.size"),
        ({"tiles__size": 8192, "tiles__overlap": 8}, r"tiles\.overlap"),
    ],
)
def test_a_band_that_cannot_be_cut_is_a_mistake_of_the_configuration(values, words):
    with pytest.raises(ConfigError, match=words):
        make_grid(change(**values))


def test_nothing_but_the_configuration_decides():
    """Blocks, workers and thresholds leave the grid as it is: tiles of all nights coincide."""
    other = change(detection__block_lines=512, detection__threshold=7.0, compute__workers=3)
    assert make_grid(other) == make_grid(CONFIG)


def test_every_star_the_chip_can_see_has_one_core():
    grid = make_grid(CONFIG)
    half = 0.5 * CONFIG.camera.columns * CONFIG.camera.pixel_scale / 3600
    rng = np.random.default_rng(2)
    ra, dec = rng.uniform(0, 360, 500), CONFIG.axis_declination + rng.uniform(-half, half, 500)
    # From the equator of the grid's epoch to ICRS, by the precession that astropy knows.
    of_grid = SkyCoord(ra, dec, unit="deg", frame=FK5(equinox=f"J{grid.epoch}"))
    sky = of_grid.transform_to("icrs")
    ring, cell = grid.core_index(sky.ra.deg, sky.dec.deg)
    assert (ring >= 0).all()
    for i in range(0, 500, 50):
        tile = grid.tile(int(ring[i]), int(cell[i]))
        x, y = tile.sky_to_pixel(sky.ra.deg[i], sky.dec.deg[i])
        assert 0 <= x <= tile.size - 1
        assert 0 <= y <= tile.size - 1
