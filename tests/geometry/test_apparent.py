"""Apparent places and the Earth's rotation, against astropy's transformations and ERFA's values."""

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import CIRS, AltAz, EarthLocation, HADec, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from pipeline.geometry import apparent
from pipeline.geometry.apparent import (
    EARTH_RATE,
    apply_proper_motion,
    earth_orientation,
    make_apparent_place,
    make_axis,
    rotation_angle,
    tai_minus_utc,
)
from pipeline.geometry.transit import Axis

MAS = np.radians(1 / 3.6e6)
MJD = 60380.3  # 2024-03-11
SITE = {"latitude_deg": -46.2, "longitude_deg": -71.3, "height_m": 1120.0}


@pytest.fixture(autouse=True)
def _bundled_tables():
    """Keep astropy off the network."""
    with iers.conf.set_temp("auto_download", False):
        yield


@pytest.fixture
def sky():
    rng = np.random.default_rng(11)
    return rng.uniform(0, 2 * np.pi, 300), np.arcsin(rng.uniform(-0.98, 0.98, 300))


def separation(ra1, dec1, ra2, dec2):
    return erfa.seps(ra1, dec1, ra2, dec2)


def test_apparent_place_equals_astropy(sky):
    """ICRS to geocentric CIRS, at times between the nodes: better than 0.01 mas."""
    rng = np.random.default_rng(5)
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.4)
    mjd = MJD + rng.uniform(0, 0.4, 300)
    ra, dec = place.to_apparent(*sky, mjd)
    icrs = SkyCoord(*sky, unit="rad", frame="icrs")
    cirs = icrs.transform_to(CIRS(obstime=Time(mjd, format="mjd", scale="utc")))
    assert separation(ra, dec, cirs.ra.rad, cirs.dec.rad).max() < 0.01 * MAS


def test_interpolation_between_nodes(sky):
    """Contexts every ten minutes against contexts at the very time: less than 1e-3 mas."""
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.5)
    middle = 0.5 * (place.mjd_nodes[10] + place.mjd_nodes[11])
    found = place.to_apparent(*sky, middle)
    tt = middle + (37 + 32.184) / 86400  # TAI-UTC since 2017
    context, _ = erfa.apci13(2400000.5, tt)
    assert separation(*found, *erfa.atciqz(*sky, context)).max() < 1e-3 * MAS


def test_contexts_hold_no_stray_memory():
    """What ERFA leaves unset must not enter the interpolation: it may be anything, even NaN."""
    np.full(100_000, np.nan).sum()  # fill memory that is free again afterwards
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.5)
    again = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.5)
    plain = place._contexts.view(np.float64)
    assert np.all(np.isfinite(plain))
    np.testing.assert_array_equal(plain, again._contexts.view(np.float64))
    assert not place._contexts["refa"].any()
    assert not place._contexts["along"].any()


def test_inverse_is_exact(sky):
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.1)
    mjd = MJD + np.linspace(0, 0.1, 300)
    back = place.to_icrs(*place.to_apparent(*sky, mjd), mjd)
    assert separation(*back, *sky).max() < 1e-14  # rad: rounding


def observed_plane(axis, place, ra, dec, mjd):
    """Gnomonic coordinates about the axis of catalogue places at given times."""
    ra_app, dec_app = place.to_apparent(ra, dec, mjd)
    theta = np.array([rotation_angle(t) for t in mjd]) + np.radians(SITE["longitude_deg"])
    return axis.project(theta - ra_app, dec_app)


@pytest.mark.parametrize("h0", [0.0, 20.0, -75.0])
def test_the_whole_chain_equals_astropy_hadec(h0):
    """ICRS to observed hour angle and declination without air, within 0.1 mas over a field.

    This holds apparent place, UT1, polar motion and diurnal aberration together. Our north at the
    axis is that of the drift (the intermediate pole), astropy's that of the crust: polar motion of
    some 0.3 arcsec turns the one against the other, and nothing else may.
    """
    rng = np.random.default_rng(3)
    d0 = -40.0
    n = 60
    mjd = MJD + rng.uniform(0, 0.04, n)  # polar motion moves 2 mas a day
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.04)
    theta = np.array([rotation_angle(t) for t in mjd])
    # Stars within a degree or so of the axis at their times.
    ra = theta + np.radians(SITE["longitude_deg"] - h0) + rng.uniform(-0.02, 0.02, n)
    dec = np.radians(d0) + rng.uniform(-0.02, 0.02, n)
    axis = make_axis(declination_deg=d0, hour_angle_deg=h0, mjd_utc=MJD + 0.02, **SITE)
    xi, eta = observed_plane(axis, place, ra, dec, mjd)
    location = EarthLocation.from_geodetic(
        SITE["longitude_deg"] * u.deg, SITE["latitude_deg"] * u.deg, SITE["height_m"] * u.m
    )
    frame = HADec(obstime=Time(mjd, format="mjd", scale="utc"), location=location)
    observed = SkyCoord(ra, dec, unit="rad").transform_to(frame)
    x, y = Axis(np.radians(d0), np.radians(h0)).project(observed.ha.rad, observed.dec.rad)
    ours, theirs = xi + 1j * eta, x + 1j * y
    turn = np.sum(ours * np.conj(theirs)) / np.sum(np.abs(theirs) ** 2)
    assert abs(np.angle(turn)) < np.radians(0.6 / 3600)  # largest polar motion ever, over cos d0
    assert abs(abs(turn) - 1) < 1e-8
    assert np.abs(ours - theirs * np.exp(1j * np.angle(turn))).max() < 0.1 * MAS


def test_zenith_is_the_latitude():
    """An axis at the latitude and hour angle 0 points at astropy's altitude 90 degrees.

    The zenith of a geodetic site; at a distance zeta from it the altitude is 90 - zeta: 1 mas.
    """
    rng = np.random.default_rng(8)
    mjd = MJD + rng.uniform(0, 0.2, 20)
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.2)
    axis = make_axis(
        declination_deg=SITE["latitude_deg"], hour_angle_deg=0.0, mjd_utc=MJD + 0.1, **SITE
    )
    theta = np.array([rotation_angle(t) for t in mjd]) + np.radians(SITE["longitude_deg"])
    ra, dec = theta + rng.uniform(-0.01, 0.01, 20), np.full(20, np.radians(-46.1))
    xi, eta = observed_plane(axis, place, ra, dec, mjd)
    location = EarthLocation.from_geodetic(
        SITE["longitude_deg"] * u.deg, SITE["latitude_deg"] * u.deg, SITE["height_m"] * u.m
    )
    frame = AltAz(obstime=Time(mjd, format="mjd", scale="utc"), location=location)
    altitude = SkyCoord(ra, dec, unit="rad").transform_to(frame).alt.rad
    np.testing.assert_allclose(np.arctan(np.hypot(xi, eta)), np.pi / 2 - altitude, atol=1 * MAS)


def test_earth_orientation_equals_astropy():
    time = Time(MJD, format="mjd", scale="utc")
    found = earth_orientation(MJD)
    assert found.tabulated
    assert found.ut1_utc == pytest.approx(float(time.delta_ut1_utc), abs=1e-6)
    # sidereal_time("earth rotation angle") takes UT1 from the same table.
    era = time.earth_rotation_angle(0 * u.deg).rad
    assert (rotation_angle(MJD) - era + np.pi) % (2 * np.pi) - np.pi == pytest.approx(0, abs=1e-9)


def test_bulletin_is_read_as_astropy_reads_it(monkeypatch):
    """Every day of it, to the last digit; also where its layout is not the known one."""
    apparent._iers_table.cache_clear()
    mine = apparent._iers_table()
    assert mine[0].size > 19_000

    def refuse(text):
        raise ValueError(len(text))

    monkeypatch.setattr(apparent, "_read_bulletin", refuse)
    apparent._iers_table.cache_clear()
    theirs = apparent._iers_table()
    apparent._iers_table.cache_clear()
    for a, b in zip(mine, theirs, strict=True):
        np.testing.assert_array_equal(a, b)


def test_rotation_angle_of_the_published_example():
    """era00(2400000.5, 54388.0) = 0.4022837240028158102 (SOFA test program, from memory).

    Its date is UT1; a double MJD resolves 1 microsecond, 7e-11 rad.
    """
    mjd_utc = 54388.0 - earth_orientation(54388.0).ut1_utc / 86400
    assert rotation_angle(mjd_utc) % (2 * np.pi) == pytest.approx(0.4022837240028158102, abs=2e-10)


def test_rate_of_rotation():
    """Earth rotation angle 15.04106718 arcsec/s (Explanatory Supplement, from memory)."""
    assert np.degrees(EARTH_RATE) * 3600 == pytest.approx(15.04106718, abs=1e-8)


def test_offset_runs_at_the_rate_of_the_earth():
    turned = rotation_angle(MJD, offset_s=3600.0) - rotation_angle(MJD)
    direct = rotation_angle(MJD + 3600 / 86400) - rotation_angle(MJD)
    assert (turned - direct + np.pi) % (2 * np.pi) - np.pi == pytest.approx(0, abs=3e-10)


@pytest.mark.parametrize("mjd", [30000.0, 70000.0, 90000.0])
def test_dates_beyond_the_table_fall_back_quietly(mjd):
    """No warning (they are errors here), and values that stay within what was ever seen."""
    found = earth_orientation(mjd)
    assert not found.tabulated
    assert found.excess_rate == 0
    assert abs(found.x) < 2e-5  # 4 arcsec
    place = make_apparent_place(mjd_first=mjd, mjd_last=mjd + 0.1)
    assert np.all(np.isfinite(place.to_apparent(1.0, 0.5, mjd)))


def test_ut1_does_not_jump_at_a_leap_second():
    """UT1 is continuous through 2017-01-01 although UT1-UTC jumps by a second."""
    before, after = 57753.999, 57754.001
    ut1_tai = [earth_orientation(t).ut1_utc - float(tai_minus_utc(t)) for t in (before, after)]
    assert ut1_tai[1] == pytest.approx(ut1_tai[0], abs=1e-4)  # 3 ms a day at most
    assert [float(tai_minus_utc(t)) for t in (before, after)] == [36.0, 37.0]


def test_not_a_date_is_refused():
    with pytest.raises(ValueError, match="mjd_utc must be finite"):
        earth_orientation(np.nan)
    with pytest.raises(ValueError, match="at most ten days"):
        make_apparent_place(mjd_first=60000.0, mjd_last=60100.0)


def test_proper_motion_equals_erfa():
    """Straight motion against ERFA's starpm without parallax and radial velocity, 30 years.

    A parallax of 0.1 mas, for ERFA replaces a zero by a small one and warns; 10 arcsec/yr is then
    near the speed it refuses, hence at most 0.3 arcsec/yr here. Both go straight; they differ in
    third order of 9 arcsec.
    """
    ra = np.array([10.0, 359.9999, 200.0, 80.0])
    dec = np.array([5.0, -60.0, 85.0, -30.0])
    pm_ra = np.array([100.0, 200.0, -250.0, 30.0])
    pm_dec = np.array([-300.0, 50.0, 80.0, -60.0])
    mjd = 51544.5 + 46 * 365.25
    found = apply_proper_motion(ra, dec, pm_ra, pm_dec, epoch=2016.0, mjd=mjd)
    rad = np.radians(dec)
    ra2, dec2, *_ = erfa.pmsafe(
        np.radians(ra), rad, pm_ra * MAS / np.cos(rad), pm_dec * MAS, 1e-3, 0.0,
        2451545.0, 16 * 365.25, 2400000.5, mjd,
    )  # fmt: skip
    assert separation(*np.radians(found), ra2, dec2).max() < 0.01 * MAS
    assert np.all((found[0] >= 0) & (found[0] < 360))


def test_unknown_proper_motion_is_none():
    found = apply_proper_motion([10.0], [20.0], [np.nan], [np.nan], epoch=2016.0, mjd=61000.0)
    np.testing.assert_allclose(np.ravel(found), [10.0, 20.0], atol=1e-12)


def test_direction_of_the_pole():
    """Position angle of the apparent pole: finite difference along the apparent meridian."""
    place = make_apparent_place(mjd_first=MJD, mjd_last=MJD + 0.1)
    ra_app, dec_app = np.array([0.5, 2.0, 4.0]), np.array([-0.8, 0.3, 1.2])
    low = place.to_icrs(ra_app, dec_app - 1e-5, MJD)
    high = place.to_icrs(ra_app, dec_app + 1e-5, MJD)
    middle = place.to_icrs(ra_app, dec_app, MJD)
    angle = np.arctan2((high[0] - low[0]) * np.cos(middle[1]), high[1] - low[1])
    # Aberration turns the field by up to 1e-4 tan(dec).
    np.testing.assert_allclose(place.pole_angle(*middle, MJD), angle, atol=4e-4)


def test_many_places_are_turned_as_each_by_itself():
    """More than are in memory together: pieces must not show."""
    place = make_apparent_place(mjd_first=60000.0, mjd_last=60000.1)
    n = 40_000
    rng = np.random.default_rng(3)
    ra, dec = rng.uniform(0.0, 2.0 * np.pi, n), rng.uniform(-1.0, 1.0, n)
    mjd = rng.uniform(60000.0, 60000.1, n)
    some = np.array([0, 16383, 16384, 32768, n - 1])
    for turn in (place.to_apparent, place.to_icrs):
        together = turn(ra, dec, mjd)
        alone = turn(ra[some], dec[some], mjd[some])
        assert np.array_equal(np.array(together)[:, some], alone)
        assert np.array(turn(ra[0], dec[0], mjd[0])).shape == (2,)
        grid = turn(ra[:6].reshape(2, 3), dec[0], mjd[:3])
        assert grid[0].shape == (2, 3)
