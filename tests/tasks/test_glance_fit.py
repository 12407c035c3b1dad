"""Stars of a quick look are paired anew under a distortion that the next fit begins without."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry.camera import Camera
from pipeline.geometry.fit import FitOptions, fit_solution
from pipeline.geometry.match import Detections, MatchOptions, References
from pipeline.geometry.slip import Slip
from pipeline.geometry.solution import StripSolution

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


def fit_again(found, begin, placed, references):
    """As a quick look does: pairs by what was found, distortion from the configured geometry."""
    match = MatchOptions(clock_range_s=2.0, pointing_range_arcmin=0.5, known=True, radius_px=RADIUS)
    options = FitOptions(match=match, fit_wander=False)
    return fit_solution(found, placed, references, options=options, origin=begin)


def test_no_star_is_lost_by_the_distortion_that_was_taken_off(field):
    begin, truth, placed, references = field
    fit = fit_again(truth, begin, placed, references)
    mine, theirs = fit.matched_detection, fit.matched_reference
    assert len(mine) == len(theirs) == len(placed)
    line, column = begin.sky_to_strip(references.ra_deg[theirs], references.dec_deg[theirs])
    off = np.hypot(line - placed.line[mine], column - placed.column[mine])
    assert off.max() > RADIUS + 2.0  # these would be lost


def test_fit_of_known_pairs_finds_the_distortion_again(field):
    begin, truth, placed, references = field
    fit = fit_again(truth, begin, placed, references)
    assert fit.n_used > 0.98 * len(placed)
    assert fit.rms_column == pytest.approx(ERROR, rel=0.15)
    for name in ("k1", "rotation_deg", "pixel_scale_arcsec"):
        off = fit.solution.parameters[name] - truth.parameters[name]
        assert abs(off) < 4.0 * fit.errors[name], name


def test_distortion_that_no_star_asks_for_stays_as_configured(field):
    """It leaves no trace, though the fit before had found some."""
    begin, _, _, references = field
    spurious = begin.with_parameters(k1=field[1].parameters["k1"] / 100.0)
    line, column = begin.sky_to_strip(references.ra_deg, references.dec_deg)
    rng = np.random.default_rng(9)
    error = np.full(line.size, ERROR)
    placed = Detections(
        line + rng.normal(0, ERROR, line.size), column + rng.normal(0, ERROR, line.size),
        error, error, np.ones(line.size),
    )  # fmt: skip
    fit = fit_again(spurious, begin, placed, references)
    assert fit.solution.parameters["k1"] == begin.parameters["k1"]


def test_lost_lines_do_not_hinder_the_pairing(field):
    """What was found knows of them."""
    begin, truth, placed, references = field
    slips = (Slip(9000.0, 0.0, 40, 40.0, 0.1),)
    found = replace(truth, slips=slips, n_lines=N_LINES - 40)
    late = placed.line > 9100.0
    good = late | (placed.line < 8900.0)
    shifted = Detections(
        (placed.line - 40.0 * late)[good], placed.column[good], placed.line_err[good],
        placed.column_err[good], placed.flux[good],
    )  # fmt: skip
    fit = fit_again(found, begin, shifted, references)
    assert len(fit.matched_detection) == len(fit.matched_reference) == np.count_nonzero(good)
