"""Apparent directions of stars through ERFA: ICRS to observed hour angle and declination."""

from __future__ import annotations

from dataclasses import dataclass

import erfa
import numpy as np
from astropy.utils import iers
from numpy.typing import NDArray

from synthetic.scenario import ROTATION_RATE, Site

__all__ = ["Sight", "find_rotation_angle", "observe", "open_sight", "to_catalogue_place"]

Floats = NDArray[np.float64]

_MJD_ZERO = 2400000.5
_WAVELENGTH = 0.55  # micrometres; irrelevant at zero pressure


@dataclass(frozen=True)
class Sight:
    """Everything ERFA needs to know about one instant at one site."""

    mjd: float
    astrom: NDArray[np.void]
    origins: float  # equation of the origins, rad


def open_sight(site: Site, mjd: float, seconds: float = 0.0) -> Sight:
    """Prepare the star-independent quantities of one instant.

    Parameters
    ----------
    site : Site
        Observatory.
    mjd : float
        UTC.
    seconds : float
        Added to `mjd`; kept apart so that nothing is lost in rounding (1e-6 s is 2e-5 px).

    Returns
    -------
    Sight
        Context for `observe`; Earth orientation from the bundled IERS B series, no refraction.
    """
    table = iers.IERS_B.open()
    day = np.floor(mjd)
    jd1, jd2 = _MJD_ZERO + day, (mjd - day) + seconds / 86400.0
    ut1_utc = float(table.ut1_utc(jd1, jd2).to_value("s"))
    xp, yp = (float(v.to_value("rad")) for v in table.pm_xy(jd1, jd2))
    astrom, origins = erfa.apco13(
        jd1,
        jd2,
        ut1_utc,
        np.radians(site.longitude),
        np.radians(site.latitude),
        site.height,
        xp,
        yp,
        0.0,
        0.0,
        0.0,
        _WAVELENGTH,
    )
    return Sight(mjd=mjd + seconds / 86400.0, astrom=astrom, origins=float(origins))


def observe(sight: Sight, ra: Floats, dec: Floats) -> tuple[Floats, Floats]:
    """Observed hour angle and declination.

    Parameters
    ----------
    sight : Sight
        Instant and site.
    ra, dec : ndarray of shape (n,)
        Astrometric ICRS place at that instant, rad.

    Returns
    -------
    tuple of ndarray
        Hour angle (west positive, within +-pi) and declination, rad: topocentric, with
        aberration, light deflection, precession, nutation, polar motion, no refraction.
    """
    ri, di = erfa.atciqz(ra, dec, sight.astrom)
    _, _, hour_angle, declination, _ = erfa.atioq(ri, di, sight.astrom)
    return (
        np.asarray((hour_angle + np.pi) % (2 * np.pi) - np.pi, dtype=np.float64),
        np.asarray(declination, dtype=np.float64),
    )


def to_catalogue_place(
    sight: Sight, hour_angle: Floats, declination: Floats
) -> tuple[Floats, Floats]:
    """ICRS place (rad) of an observed hour angle and declination (rad)."""
    ri, di = erfa.atoiq("H", hour_angle, declination, sight.astrom)
    ra, dec = erfa.aticq(ri, di, sight.astrom)
    return np.asarray(ra, dtype=np.float64), np.asarray(dec, dtype=np.float64)


def find_rotation_angle(site: Site, mjd: float) -> float:
    """Earth rotation angle plus longitude (rad, not reduced) at a UTC."""
    table = iers.IERS_B.open()
    ut1 = mjd + float(table.ut1_utc(_MJD_ZERO, mjd).to_value("s")) / 86400.0
    turns = ROTATION_RATE * 86400.0 * (ut1 - 51544.5)
    return turns + 2 * np.pi * 0.7790572732640 + float(np.radians(site.longitude))
