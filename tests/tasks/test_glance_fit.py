"""Stars of a quick look are paired anew under a distortion that the next fit begins without."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry.camera import Camera
from pipeline.geometry.fit import FitOptions, fit_solution
from pipeline.geometry.match import Detections, MatchOptions, References
from pipeline.geometry.slip import Slip
from pipeline.geometry.solution import StripSolution
from pipeline.tasks.glance_fit import _pair

LATITUDE, N_COLUMNS, N_LINES, ERROR, RADIUS = -41.0, 4096, 20_000, 0.03, 3.0
EDGE = 8.0  # px by which distortion moves stars of the outermost columns


@pytest.fixture(scope="module")
def field():
    """The configured geometry, the true one, and stars of both sides."""
    camera = Camera.from_arcsec(pixel_scale=0.6, n_columns=N_COLUMNS, n_stage=1024, column_sign=1)
    begin = StripSolution.first_guess(
        latitude_deg=LATITUDE, longitude_deg=20.0, height_m=900.0, axis_declination_deg=LATITUDE,
        axis_hour_angle_deg=0.0, camera=camera, mjd_start=60_800.1, n_lines=N_LINES,
        line_period=1.0 / (camera.scale * np.cos(np.radians(LATITUDE)) * 7.292e-5),
    )  # fmt: skip
    half = 0.5 * N_COLUMNS
    truth = begin.with_parameters(k1=EDGE / (half * (half / camera.scale) ** 2))
    rng = np.random.default_rng(8)
    n = 600
    line, column = rng.uniform(1100, N_LINES - 100, n), rng.uniform(2, N_COLUMNS - 3, n)
    ra, dec = truth.strip_to_sky(line, column)
    zero, error = np.zeros(n), np.full(n, ERROR)
    seen = rng.random(n) < 0.7
    placed = Detections(
        *(v[seen] for v in (line + rng.normal(0, ERROR, n), column + rng.normal(0, ERROR, n),
                            error, error, rng.uniform(1, 2, n)))
    )  # fmt: skip
    return begin, truth, placed, References(ra, dec, zero, zero, rng.uniform(14, 18, n))


def test_the_radius_holds_the_distortion_that_was_taken_off(field):
    begin, truth, placed, references = field
    mine, theirs, radius = _pair(placed, references, truth, begin, RADIUS)
    assert len(mine) == len(theirs) == len(placed)
    assert RADIUS + 0.8 * EDGE < radius < RADIUS + 1.6 * EDGE
    line, column = begin.sky_to_strip(theirs.ra_deg, theirs.dec_deg)
    off = np.hypot(line - mine.line, column - mine.column)
    assert off.max() > RADIUS + 2.0  # these would be lost
    assert off.max() < radius


def test_fit_of_known_pairs_finds_the_distortion_again(field):
    begin, truth, placed, references = field
    mine, theirs, radius = _pair(placed, references, truth, begin, RADIUS)
    match = MatchOptions(clock_range_s=2.0, pointing_range_arcmin=0.5, known=True, radius_px=radius)
    fit = fit_solution(begin, mine, theirs, options=FitOptions(match=match, fit_wander=False))
    assert fit.n_used > 0.98 * len(mine)
    assert fit.rms_column == pytest.approx(ERROR, rel=0.15)
    for name in ("k1", "rotation_deg", "pixel_scale_arcsec"):
        off = fit.solution.parameters[name] - truth.parameters[name]
        assert abs(off) < 4.0 * fit.errors[name], name


def test_lost_lines_do_not_hinder_the_pairing(field):
    """Both solutions know of them."""
    begin, truth, placed, references = field
    slips = (Slip(9000.0, 0.0, 40, 40.0, 0.1),)
    found, start = (replace(s, slips=slips, n_lines=N_LINES - 40) for s in (truth, begin))
    late = placed.line > 9100.0
    good = late | (placed.line < 8900.0)
    shifted = Detections(
        (placed.line - 40.0 * late)[good], placed.column[good], placed.line_err[good],
        placed.column_err[good], placed.flux[good],
    )  # fmt: skip
    mine, theirs, _ = _pair(shifted, references, found, start, RADIUS)
    assert len(mine) == len(theirs) == np.count_nonzero(good)
