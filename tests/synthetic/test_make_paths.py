"""Paths of stars over the simulated chip, against astropy and published or derived values."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import EarthLocation, HADec, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from synthetic.camera import N_NODES, estimate_lines, measure_solid_angle, project, trace_paths
from synthetic.place import observe, open_sight, to_catalogue_place
from synthetic.plain import build_plain
from synthetic.scenario import ARCSEC_PER_RADIAN, find_matched_period, name_night

MJD = 60737.1
# Polar motion in early 2025 (IERS B: 0.07, 0.33 arcsec), rounded up.
POLE = 0.36


def trace(scenario, hour_angle, declination, mjd):
    """Path of a star that stands at an observed place (rad) at `mjd`."""
    ra, dec = to_catalogue_place(open_sight(scenario.site, mjd), hour_angle, declination)
    ra, dec = np.atleast_1d(ra), np.atleast_1d(dec)
    zero = np.zeros_like(ra)
    paths = trace_paths(scenario, scenario.strips[0], ra, dec, ra_rate=zero, dec_rate=zero)
    return ra, dec, paths


def evaluate(paths, star, seconds, exposure):
    """Column and height at given seconds after line 0."""
    s = (seconds - paths.centre[star]) / exposure
    powers = s[:, None] ** np.arange(N_NODES)
    return powers @ paths.column[star], powers @ paths.height[star]


def extents(scenario, paths, star=0, *, aligned=True):
    """Crossing time (s) and full extents of the smear (arcsec): across, along the scan.

    The sky turns about the celestial pole, the camera is fixed to the Earth: polar motion (a third
    of an arcsec) turns the drift by as much. `aligned` takes that turn out, as an observer who
    rotates the camera would.
    """
    camera = scenario.camera
    # The polynomial is centred between instants, up to an eighth of an exposure off the middle.
    t = paths.centre[star] + np.linspace(-0.7, 0.7, 280_001) * camera.exposure
    x, y = evaluate(paths, star, t, camera.exposure)
    on = (y >= 0) & (y <= camera.n_stage)
    line = t / camera.line_period + y
    scale = camera.pixel_scale
    x, t = x[on] * scale, t[on]
    if aligned:
        x = x - (x[-1] - x[0]) * (t - t[0]) / np.ptp(t)
    return np.ptp(t), np.ptp(x), np.ptp(line[on]) * scale


@pytest.mark.parametrize(
    ("latitude", "declination", "hour_angle"),
    [(0.0, None, 0.0), (-46.2, None, 0.0), (45.0, 20.0, -15.0), (65.0, None, 0.0)],
)
def test_path_is_that_of_astropy(latitude, declination, hour_angle):
    """Between the instants computed through ERFA the path is astropy's own to 1e-4 px."""
    scenario = build_plain(
        latitude=latitude,
        longitude=-71.3,
        declination=declination,
        hour_angle=hour_angle,
        columns=1024,
        n_stage=1024,
        pixel_scale=0.55,
        n_lines=3000,
        mjd_start=MJD,
        rotation=0.3,
    )
    camera = scenario.camera
    h0, d0 = np.radians([camera.axis_hour_angle, camera.axis_declination])
    offsets = np.radians(np.array([-0.07, 0.0, 0.06]))
    middle = 1500 * camera.line_period
    ra, dec, paths = trace(scenario, np.full(3, h0), d0 + offsets, MJD + middle / 86400)
    site = EarthLocation.from_geodetic(-71.3 * u.deg, latitude * u.deg, 0 * u.m)
    rng = np.random.default_rng(3)
    with iers.conf.set_temp("auto_download", False):
        for star in range(3):
            t = middle + rng.uniform(-0.55, 0.55, 5) * camera.exposure
            frame = HADec(
                obstime=Time(MJD, t / 86400, format="mjd", scale="utc"),
                location=site,
                pressure=0 * u.hPa,
            )
            seen = SkyCoord(ra[star] * u.rad, dec[star] * u.rad).transform_to(frame)
            expected = project(camera, seen.ha.wrap_at("180d").rad, seen.dec.rad)
            found = evaluate(paths, star, t, camera.exposure)
            np.testing.assert_allclose(found[0], expected[0], atol=1e-4)
            np.testing.assert_allclose(found[1], expected[1], atol=1e-4)


def test_path_is_straight_and_even_at_the_equator():
    """At the equator the axis star stays in its column and drifts one row a line."""
    scenario = build_plain(
        latitude=0.0,
        columns=1024,
        n_stage=1024,
        pixel_scale=0.55,
        n_lines=3000,
        mjd_start=MJD,
    )
    camera = scenario.camera
    middle = MJD + 1500 * camera.line_period / 86400
    _, _, paths = trace(scenario, np.zeros(1), np.zeros(1), middle)
    crossing, across, along = extents(scenario, paths)
    assert across < 1e-4
    _, turned, _ = extents(scenario, paths, aligned=False)
    assert turned < POLE / ARCSEC_PER_RADIAN * 1024 * 0.55
    # tan H - H over half the chip at both ends, and 0.3 arcsec of diurnal aberration.
    half = 0.5 * 1024 * 0.55 / ARCSEC_PER_RADIAN
    assert along < 2 * half**3 / 3 * ARCSEC_PER_RADIAN + 1e-3
    assert crossing == pytest.approx(camera.exposure, rel=1e-5)


# Exact gnomonic geometry of a square field, rate matched at the centre; derived for the project's
# list of outside values by two independent codes: latitude, field (arcmin), crossing (s),
# cross-scan centre, north, south, along-scan north, south (full extents, arcsec).
SMEAR = [
    (20, 20, 84.90, 0.3176, 0.3205, 0.3147, 1.2686, 1.2723),
    (30, 10, 46.06, 0.1259, 0.1264, 0.1255, 0.5039, 0.5037),
    (30, 20, 92.12, 0.5038, 0.5072, 0.5004, 2.0158, 2.0147),
    (30, 30, 138.19, 1.1335, 1.1450, 1.1222, 4.5363, 4.5325),
    (40, 20, 104.15, 0.7322, 0.7365, 0.7279, 2.9339, 2.9240),
    (49, 20, 121.61, 1.0038, 1.0097, 0.9979, 4.0278, 4.0032),
]


@pytest.mark.parametrize("row", SMEAR)
def test_smear_has_the_extents_of_exact_geometry(row):
    """Cross-scan and along-scan extents at the middle and at the edge columns."""
    latitude, width, crossing, centre, north, south, along_north, along_south = row
    n = 1000
    scenario = build_plain(
        latitude=latitude,
        columns=n,
        n_stage=n,
        pixel_scale=width * 60 / n,
        n_lines=3 * n,
        mjd_start=MJD,
    )
    d0 = np.radians(latitude)
    half = np.arctan(0.5 * width * 60 / ARCSEC_PER_RADIAN)
    middle = MJD + 1.5 * n * scenario.camera.line_period / 86400
    _, _, paths = trace(scenario, np.zeros(3), d0 + np.array([0, half, -half]), middle)
    found = [extents(scenario, paths, star) for star in range(3)]
    # The values are rounded to 5e-5 arcsec (5e-3 s); polar motion and diurnal aberration change
    # the declination by up to 0.4 arcsec, so the along-scan extent at the edge by 1e-3 of itself.
    assert found[0][0] == pytest.approx(crossing, abs=0.006)
    np.testing.assert_allclose([f[1] for f in found], [centre, north, south], rtol=1e-4, atol=6e-5)
    np.testing.assert_allclose(
        [f[2] for f in found[1:]], [along_north, along_south], rtol=1e-3, atol=5e-5
    )


def test_smear_is_mirrored_on_the_other_hemisphere():
    """South of the equator the same camera smears as much, the other way round."""
    made = []
    for latitude in (45.0, -45.0):
        scenario = build_plain(
            latitude=latitude,
            columns=512,
            n_stage=512,
            pixel_scale=1.0,
            n_lines=1500,
            mjd_start=MJD,
            column_sign=1 if latitude > 0 else -1,
        )
        middle = MJD + 750 * scenario.camera.line_period / 86400
        d = np.radians(latitude) * (1 + np.array([0.0, 0.001]))
        _, _, paths = trace(scenario, np.zeros(2), d, middle)
        made.append(np.array([extents(scenario, paths, s) for s in range(2)]))
    # The pole moves towards one site and away from the other: twice its shift in declination.
    shift = 2 * POLE / ARCSEC_PER_RADIAN * 512
    np.testing.assert_allclose(made[0], made[1], rtol=2e-5, atol=shift)
    np.testing.assert_allclose(made[0][:, 1], made[1][:, 1], rtol=1e-4)


def test_matched_period_of_a_published_camera():
    """13.75 arcsec/px at the equator: 0.9142 s a line, 512 lines in 468 s.

    Henden 1997, technical note 26 on drift scanning.
    """
    period = find_matched_period(13.75, 0.0)
    assert period == pytest.approx(0.9142, abs=1e-4)
    assert 512 * period == pytest.approx(468, abs=0.5)


def test_place_and_its_inverse_agree():
    """ICRS to observed and back returns the place."""
    scenario = build_plain(
        latitude=-46.2, columns=64, n_stage=64, pixel_scale=0.5, n_lines=10, mjd_start=MJD
    )
    sight = open_sight(scenario.site, MJD, 12.5)
    h, d = np.array([-0.2, 0.0, 0.3]), np.array([-0.9, -0.8, 0.4])
    again = observe(sight, *to_catalogue_place(sight, h, d))
    np.testing.assert_allclose(again, [h, d], atol=2e-11)


def test_estimated_lines_are_close():
    """The estimate used to hand out work is good to a few lines."""
    scenario = build_plain(
        latitude=-46.2,
        columns=512,
        n_stage=512,
        pixel_scale=0.55,
        n_lines=4000,
        mjd_start=MJD,
        rotation=0.2,
    )
    camera = scenario.camera
    middle = 2000 * camera.line_period
    ra, dec, paths = trace(
        scenario, np.zeros(3), np.radians(-46.2 + np.array([-0.03, 0, 0.03])), MJD + middle / 86400
    )
    lines = estimate_lines(scenario, scenario.strips[0], ra, dec)
    for star in range(3):
        t = np.array([paths.centre[star]])
        _, y = evaluate(paths, star, t, camera.exposure)
        assert abs(t[0] / camera.line_period + y[0] - lines[star]) < 4


def test_rotation_and_sign_turn_the_chip():
    """North of the axis lies at larger columns unless the sign is turned; west lies lower."""
    common = {
        "latitude": 10.0,
        "columns": 200,
        "n_stage": 200,
        "pixel_scale": 1.0,
        "n_lines": 10,
        "mjd_start": MJD,
    }
    north, west = np.radians(10.0) + 50 / ARCSEC_PER_RADIAN, 50 / ARCSEC_PER_RADIAN
    x, y = project(build_plain(**common).camera, np.zeros(1), np.array([north]))
    np.testing.assert_allclose([x[0], y[0]], [149.5, 100.0], atol=1e-4)
    x, y = project(build_plain(**common, column_sign=-1).camera, np.zeros(1), np.array([north]))
    np.testing.assert_allclose([x[0], y[0]], [49.5, 100.0], atol=1e-4)
    x, y = project(
        build_plain(**common).camera,
        np.array([west / np.cos(np.radians(10.0))]),
        np.radians(np.array([10.0])),
    )
    np.testing.assert_allclose([x[0], y[0]], [99.5, 50.0], atol=2e-3)
    x, y = project(build_plain(**common, rotation=90.0).camera, np.zeros(1), np.array([north]))
    np.testing.assert_allclose([x[0], y[0]], [99.5, 150.0], atol=1e-4)


def test_solid_angle_is_the_sky_area_of_pixels():
    """Against the area between neighbouring pixels' directions on a strongly tilted plane."""
    scenario = build_plain(
        latitude=0.0, columns=400, n_stage=400, pixel_scale=100.0, n_lines=10, mjd_start=MJD
    )
    area = measure_solid_angle(scenario.camera)
    # A gnomonic pixel at angle theta from the axis covers cos(theta)**3 of one on the axis.
    scale = 100.0 / ARCSEC_PER_RADIAN
    x = (np.arange(400) - 199.5)[None, :] * scale
    y = (np.arange(400) + 0.5 - 200)[:, None] * scale
    expected = (np.cos(np.arctan(np.hypot(x, y))) ** 3).mean(axis=0)
    np.testing.assert_allclose(area, expected, rtol=2e-5)
    assert area[0] < area[200]


def test_night_is_named_after_the_noon_before():
    """Evening, midnight and dawn belong to the same night, whatever the longitude."""
    assert name_night(60737.02, -71.3) == "2025-03-02"
    assert name_night(60737.4, -71.3) == "2025-03-02"
    assert name_night(60737.75, -71.3) == "2025-03-03"
    assert name_night(60737.75, 150.0) == "2025-03-03"
