"""A wide-field strip under real stars: what Gaia DR3 asks of the geometry.

Stars: Gaia DR3, ESA/Gaia/DPAC, CC BY-SA 3.0 IGO. Camera after Henden 1997, technical note 26 on
drift scanning; everything else is invented.
"""

import json

import numpy as np
import pyarrow.parquet as pq
import pytest

from pipeline.config import load_config
from pipeline.geometry.camera import Camera
from pipeline.geometry.fit import FitOptions, fit_solution
from pipeline.geometry.match import Detections, References
from pipeline.geometry.solution import StripSolution
from pipeline.io.raw import find_strips


@pytest.fixture(scope="module")
def truth(gaia_strip):
    """The simulator's parameters and its sources that cross the chip completely."""
    table = pq.read_table(gaia_strip / "truth" / "wide_sources.parquet")
    sources = {name: table[name].to_numpy() for name in table.column_names}
    sources = {name: value[sources["complete"]] for name, value in sources.items()}
    return json.loads((gaia_strip / "truth" / "scenario.json").read_text()), sources


def test_catalogue_is_read_by_its_documented_format(gaia_sky):
    """482,176 stars brighter than G = 10 on the whole sky (checks.md).

    A record of another length would scatter declinations beyond the poles.
    """
    north = gaia_sky.load_stars(ra=(0.0, 359.9999999), dec=(0.0, 90.0))
    south = gaia_sky.load_stars(ra=(0.0, 359.9999999), dec=(-90.0, 0.0))
    assert len(north.ra) + len(south.ra) == pytest.approx(482176, abs=3)
    for stars in (north, south):
        assert stars.ra.min() >= 0
        assert stars.ra.max() < 360
        assert stars.mag.max() < 10
        # Counts rise by 10^0.4 to 10^0.6 a magnitude (star counts, from memory).
        rise = np.sum(stars.mag > 9) / np.sum((stars.mag > 8) & (stars.mag < 9))
        assert 2.3 < rise < 4


def test_strip_joins_and_its_sky_is_crowded_enough(gaia_strip, truth):
    """The raw folder is one open and one closed strip; 500 to 1500 stars cross completely."""
    config = load_config(gaia_strip / "observatory.toml")
    inventory = find_strips(gaia_strip / "raw", config)
    assert not inventory.rejected
    by_name = {strip.name: strip for strip in inventory.strips}
    assert by_name["wide"].n_lines == 5000
    assert by_name["wide"].shutter_open
    assert not by_name["closed"].shutter_open
    _, sources = truth
    assert 500 < len(sources["ra"]) < 1500
    assert sources["ra"].min() < 5  # on both sides of 0 h
    assert sources["ra"].max() > 355


def test_geometry_is_recovered_from_the_real_stars(gaia_sky, gaia_strip, truth):
    """First guess from the configuration, all of Gaia as reference, 0 h inside the strip.

    Positions are the simulator's, which moves stars in small steps and knows no averages, with
    0.03 px of noise added: the fit must reach that noise with the true parameters.
    """
    parameters, sources = truth
    config = load_config(gaia_strip / "observatory.toml")
    strip = next(s for s in find_strips(gaia_strip / "raw", config).strips if s.shutter_open)
    camera = config.camera
    guess = StripSolution.first_guess(
        latitude_deg=config.observatory.latitude,
        longitude_deg=config.observatory.longitude,
        height_m=config.observatory.height,
        axis_declination_deg=config.axis_declination,
        axis_hour_angle_deg=config.pointing.hour_angle,
        camera=Camera.from_arcsec(
            pixel_scale=camera.pixel_scale,
            n_columns=camera.columns,
            n_stage=camera.n_stage,
            rotation_deg=camera.rotation,
            column_sign=camera.column_sign,
            optical_centre=camera.centre,
        ),
        line_period=strip.line_period,
        mjd_start=strip.mjd_start,
        n_lines=strip.n_lines,
    )
    rng = np.random.default_rng(20)
    noise = 0.03
    n = len(sources["line"])
    stars = gaia_sky.load_stars(ra=(340.0, 20.0), dec=(28.0, 38.0))
    zero = np.zeros(len(stars.ra))
    fit = fit_solution(
        guess,
        Detections(
            sources["line"] + rng.normal(0, noise, n),
            sources["column"] + rng.normal(0, noise, n),
            np.full(n, noise),
            np.full(n, noise),
            sources["flux"],
        ),
        References(stars.ra, stars.dec, zero, zero, stars.mag),
        options=FitOptions(error_floor_px=0.0),
    )
    # Close pairs may be matched to the partner; nearly all stars must be used.
    assert fit.n_used > 0.97 * n
    # 3 standard deviations of a standard deviation from n values
    limit = noise * (1 + 3 / np.sqrt(2 * n))
    assert fit.rms_line < limit
    assert fit.rms_column < limit
    found = fit.solution.parameters
    for ours, theirs in (
        ("pixel_scale_arcsec", "pixel_scale_arcsec"),
        ("rotation_deg", "rotation_deg"),
        ("declination_deg", "axis_declination_deg"),
        ("clock_offset_s", "effective_clock_offset_s"),
    ):
        assert abs(found[ours] - parameters[theirs]) < 4 * fit.errors[ours], ours
