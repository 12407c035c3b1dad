"""Published numbers of time, places and projections, through our own functions."""

import erfa
import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from pipeline.geometry.apparent import (
    earth_orientation,
    make_apparent_place,
    make_axis,
    rotation_angle,
)
from pipeline.geometry.tiles import Tile, project_tangent, unproject_tangent

# The observer and the date of the SOFA/ERFA test program's `atco13` (from memory, reproduced to
# 1e-14 with pyerfa): 2013-04-02, with that day's published UT1-UTC and polar motion.
MJD = 56384.0 + 0.969254051
LONGITUDE, LATITUDE, HEIGHT = -0.527800806, -1.2345856, 2738.0
UT1_UTC, POLE_X, POLE_Y = 0.1550675, 2.47230737e-7, 1.82640464e-6


def test_earth_orientation_of_a_published_day():
    """UT1-UTC to 0.01 ms (0.15 mas of rotation), polar motion to 0.1 mas: IERS, as quoted there."""
    found = earth_orientation(MJD)
    assert found.tabulated
    assert found.ut1_utc == pytest.approx(UT1_UTC, abs=1e-5)
    milliarcsecond = np.deg2rad(1 / 3.6e6)
    assert found.x == pytest.approx(POLE_X, abs=0.1 * milliarcsecond)
    assert found.y == pytest.approx(POLE_Y, abs=0.1 * milliarcsecond)


def test_rotation_angle_of_the_published_date():
    """era00(2400000.5, 54388.0) = 0.4022837240028158102: SOFA/ERFA test program (from memory).

    The date is UT1; UTC as a double is good to 1 microsecond, 7e-11 rad.
    """
    ut1_utc = earth_orientation(54388.0).ut1_utc
    angle = rotation_angle(54388.0, offset_s=-ut1_utc) % (2 * np.pi)
    assert angle == pytest.approx(0.4022837240028158102, abs=2e-10)


def test_axis_meets_the_star_that_is_observed_there():
    """Catalogue place to observed place, against ERFA's own chain `atco13` without air.

    An axis set to the observed hour angle and declination of a star must have that star at its
    centre, after apparent place, rotation of the Earth, polar motion and diurnal aberration: to
    2 mas, which is 0.005 px of the demo's camera.
    """
    ra, dec = 2.71, 0.174
    observed = erfa.atco13(
        ra, dec, 0, 0, 0, 0, 2456384.5, 0.969254051, UT1_UTC, LONGITUDE, LATITUDE, HEIGHT,
        POLE_X, POLE_Y, 0.0, 12.8, 0.59, 0.55,
    )  # fmt: skip
    hour_angle, declination = observed[2], observed[3]
    axis = make_axis(
        declination_deg=np.rad2deg(declination),
        hour_angle_deg=np.rad2deg(hour_angle),
        latitude_deg=np.rad2deg(LATITUDE),
        longitude_deg=np.rad2deg(LONGITUDE),
        height_m=HEIGHT,
        mjd_utc=MJD,
    )
    place = make_apparent_place(mjd_first=MJD - 0.01, mjd_last=MJD + 0.01)
    apparent_ra, apparent_dec = place.to_apparent(ra, dec, MJD)
    local = rotation_angle(MJD) + LONGITUDE - apparent_ra
    xi, eta = axis.project(local, apparent_dec)
    milliarcsecond = np.deg2rad(1 / 3.6e6)
    assert float(xi) == pytest.approx(0, abs=2 * milliarcsecond)
    assert float(eta) == pytest.approx(0, abs=2 * milliarcsecond)


# Calabretta & Greisen 2002, A&A 395, 1077, first header example (from memory, reproduced):
# 1-based pixel, right ascension, declination.
CORNERS = [
    (1, 2, 47.503264, 62.795111),
    (1, 512, 47.595581, 64.324332),
    (511, 512, 44.064419, 64.324332),
]


@pytest.mark.parametrize(("x", "y", "ra", "dec"), CORNERS)
def test_tangent_projection_of_the_wcs_paper(x, y, ra, dec):
    """CRPIX (256, 257), CDELT -0.003 and 0.003, CRVAL (45.83, 63.57): six published decimals."""
    reference = {"ra0": np.deg2rad(45.83), "dec0": np.deg2rad(63.57)}
    east, north = np.deg2rad(-0.003 * (x - 256)), np.deg2rad(0.003 * (y - 257))
    found = np.rad2deg(unproject_tangent(east, north, **reference))
    np.testing.assert_allclose(found, (ra, dec), rtol=0, atol=6e-7)
    back = project_tangent(np.deg2rad(ra), np.deg2rad(dec), **reference)
    np.testing.assert_allclose(back, (east, north), rtol=0, atol=np.deg2rad(6e-7))


def test_tile_is_the_image_of_the_wcs_paper():
    """A tile with that scale and centre, read by its own header and by astropy.wcs.

    The paper's grid has its centre on the pixel (256, 257), a tile of 511 px on (256, 256).
    """
    tile = Tile(
        name="published",
        ra_deg=45.83,
        dec_deg=63.57,
        size=511,
        pixel_scale=0.003 * 3600,
        angle_deg=0.0,
        column_sign=1,
    )
    wcs = WCS(fits.Header(tile.header_cards()))
    for x, y, ra, dec in CORNERS:
        # x of a tile runs north (angle 0), y east; the paper's x runs west and its y north
        pixel = (float(y - 257 + tile.centre), float(256 - x + tile.centre))
        np.testing.assert_allclose(tile.pixel_to_sky(*pixel), (ra, dec), rtol=0, atol=6e-7)
        np.testing.assert_allclose(wcs.all_pix2world(*pixel, 0), (ra, dec), rtol=0, atol=6e-7)
        np.testing.assert_allclose(tile.sky_to_pixel(ra, dec), pixel, rtol=0, atol=6e-4)
