"""Between catalogue places (ICRS) and the apparent sky (CIRS), and the Earth's rotation.

References
----------
IAU SOFA / ERFA: `apci13`, `atciqz`, `aticq` (light deflection by the Sun, annual aberration,
bias-precession-nutation IAU 2006/2000A), `era00`, `pom00`. UT1-UTC and polar motion: IERS
Bulletin A as bundled with astropy-iers-data; nothing is downloaded.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import astropy_iers_data  # type: ignore[import-untyped]
import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.geometry.camera import ARCSEC_PER_RADIAN, FloatArray
from pipeline.geometry.transit import Axis

__all__ = [
    "EARTH_RATE",
    "ApparentPlace",
    "EarthOrientation",
    "apply_proper_motion",
    "earth_orientation",
    "make_apparent_place",
    "make_axis",
    "rotation_angle",
    "tai_minus_utc",
]

EARTH_RATE = 2.0 * np.pi * 1.00273781191135448 / 86400.0  # rad/s of UT1; IAU 2000, ERA
MJD_ZERO = 2400000.5
SECONDS = 86400.0
TT_MINUS_TAI = 32.184
JULIAN_YEAR = 365.25
J2000_MJD = 51544.5
# Annual aberration turns by 4 microarcsec a second of time: linear between nodes ten minutes
# apart is good to 1e-4 mas.
NODE_STEP = 600.0  # s
_AT_ONCE = 1 << 14  # stars whose contexts are in memory together
# Fields of ERFA's context that concern the observer only and are not set here.
OBSERVER_FIELDS = (
    "along", "phi", "xpl", "ypl", "sphi", "cphi", "diurab", "eral", "refa", "refb",
)  # fmt: skip
MAS = 1e-3 / ARCSEC_PER_RADIAN


@lru_cache(maxsize=1)
def _leap_seconds() -> tuple[FloatArray, FloatArray]:
    """MJD and TAI-UTC of the steps; an own table look-up, as ERFA warns about future dates."""
    table = erfa.leap_seconds.get()
    mjd = np.array([erfa.cal2jd(row["year"], row["month"], 1)[1] for row in table], np.float64)
    return mjd, np.asarray(table["tai_utc"], np.float64)


def tai_minus_utc(mjd_utc: ArrayLike) -> FloatArray:
    """TAI-UTC, from ERFA's table of leap seconds.

    Parameters
    ----------
    mjd_utc : array_like
        Modified Julian Date, UTC.

    Returns
    -------
    ndarray
        Seconds; the last known value for the future.
    """
    mjd, step = _leap_seconds()
    index = np.searchsorted(mjd, np.asarray(mjd_utc, np.float64), side="right") - 1
    return np.asarray(step[np.maximum(index, 0)])


@lru_cache(maxsize=1)
def _iers_table() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Day, UT1-TAI (s), and polar motion (rad) from the bundled Bulletin A."""
    try:
        mjd, ut1_utc, x, y = _read_bulletin(
            np.fromfile(astropy_iers_data.IERS_A_FILE, dtype=np.uint8)
        )
    except ValueError:  # laid out in another way some day
        mjd, ut1_utc, x, y = _read_with_astropy()
    good = np.isfinite(ut1_utc) & np.isfinite(x) & np.isfinite(y)
    turn = 1.0 / ARCSEC_PER_RADIAN
    return mjd[good], (ut1_utc - tai_minus_utc(mjd))[good], x[good] * turn, y[good] * turn


def _read_bulletin(
    text: NDArray[np.uint8],
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Day, UT1-UTC (s), and polar motion (arcsec) of a file ``finals2000A``.

    Astropy's own reader takes half a second to make a table of all 38 columns, in every process.
    """
    # All lines are equally long. Spaces stand for what is not known (yet).
    width = int(np.argmax(text == ord("\n"))) + 1
    rows = text.reshape(-1, width)

    def column(first: int, last: int) -> FloatArray:
        """Numbers between two places, counted as the file's own description does: from 1."""
        words = np.ascontiguousarray(rows[:, first - 1 : last]).view(f"S{last - first + 1}")[:, 0]
        words = np.char.strip(words)
        return np.where(words == b"", b"nan", words).astype(np.float64)

    mjd, x, y, ut1_utc = column(8, 15), column(19, 27), column(38, 46), column(59, 68)
    final_x, final_y, final_ut1 = column(135, 144), column(145, 154), column(155, 165)
    # Bulletin B goes before, where it has come.
    final = np.isfinite(final_x) & np.isfinite(final_y)
    ut1_utc = np.where(np.isfinite(final_ut1), final_ut1, ut1_utc)
    return mjd, ut1_utc, np.where(final, final_x, x), np.where(final, final_y, y)


def _read_with_astropy() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """As `_read_bulletin`."""
    from astropy.utils import iers

    table = iers.IERS_A.open(astropy_iers_data.IERS_A_FILE)
    columns = (("MJD", "d"), ("UT1_UTC", "s"), ("PM_x", "arcsec"), ("PM_y", "arcsec"))
    mjd, ut1_utc, x, y = (np.asarray(table[n].to_value(u), np.float64) for n, u in columns)
    return mjd, ut1_utc, x, y


@dataclass(frozen=True)
class EarthOrientation:
    """Where the Earth's crust stands in its rotation.

    Attributes
    ----------
    ut1_utc : float
        Seconds.
    excess_rate : float
        Relative excess of the rotation rate over `EARTH_RATE`, from the change of UT1-UTC.
    x, y : float
        Polar motion, radians.
    tabulated : bool
        False outside the bundled table: the nearest tabulated values are held. UT1 then drifts
        off by about a second a year (absorbed by the fitted clock offset); polar motion is wrong
        by up to 0.5 arcsec (absorbed by the fitted axis).
    """

    ut1_utc: float
    excess_rate: float
    x: float
    y: float
    tabulated: bool


def earth_orientation(mjd_utc: float) -> EarthOrientation:
    """UT1-UTC and polar motion at an instant, from the bundled table, without any warning.

    Parameters
    ----------
    mjd_utc : float
        Modified Julian Date, UTC.

    Returns
    -------
    EarthOrientation

    Raises
    ------
    ValueError
        If the date is not finite.
    """
    if not np.isfinite(mjd_utc):
        raise ValueError(f"mjd_utc must be finite, got {mjd_utc}")
    return _orientation(float(mjd_utc))


@lru_cache(maxsize=256)  # a fit asks for the same instant again and again
def _orientation(mjd_utc: float) -> EarthOrientation:
    mjd, ut1_tai, x, y = _iers_table()
    inside = bool(mjd[0] <= mjd_utc <= mjd[-1])
    value = float(np.interp(mjd_utc, mjd, ut1_tai)) + float(tai_minus_utc(mjd_utc))
    slope = 0.0
    if inside:
        k = int(np.clip(np.searchsorted(mjd, mjd_utc, side="right") - 1, 0, len(mjd) - 2))
        slope = float((ut1_tai[k + 1] - ut1_tai[k]) / (mjd[k + 1] - mjd[k]) / SECONDS)
    return EarthOrientation(
        ut1_utc=value,
        excess_rate=slope,
        x=float(np.interp(mjd_utc, mjd, x)),
        y=float(np.interp(mjd_utc, mjd, y)),
        tabulated=inside,
    )


def rotation_angle(mjd_utc: float, *, offset_s: float = 0.0) -> float:
    """Earth rotation angle (of Greenwich).

    Parameters
    ----------
    mjd_utc : float
        Modified Julian Date, UTC.
    offset_s : float, optional
        Seconds to add to it, separately for the sake of precision.

    Returns
    -------
    float
        Radians, not reduced.
    """
    orientation = earth_orientation(mjd_utc)
    angle = float(erfa.era00(MJD_ZERO, mjd_utc + orientation.ut1_utc / SECONDS))
    return angle + EARTH_RATE * (1.0 + orientation.excess_rate) * offset_s


def make_axis(
    *,
    declination_deg: float,
    hour_angle_deg: float,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    mjd_utc: float,
) -> Axis:
    """Axis of the telescope in the frame of the Earth's rotation.

    The axis is given in the local equatorial frame of the Earth's crust; polar motion turns it to
    the celestial intermediate pole. (The camera's rotation stays counted from the drift, that is
    from the intermediate pole: the two norths differ by less than an arcsecond.) The observer's
    diurnal speed comes with it, so that the aberration stays out of the fitted clock.

    Parameters
    ----------
    declination_deg, hour_angle_deg : float
        Of the axis, degrees, hour angle to the west.
    latitude_deg, longitude_deg, height_m : float
        Geodetic (WGS84), north and east positive.
    mjd_utc : float
        Date of the polar motion.

    Returns
    -------
    Axis
        Hour angle is counted from the meridian of `longitude_deg` about the intermediate pole.
    """
    orientation = earth_orientation(mjd_utc)
    longitude = np.radians(longitude_deg)
    lon = longitude - np.radians(hour_angle_deg)
    tt = mjd_utc + (float(tai_minus_utc(mjd_utc)) + TT_MINUS_TAI) / SECONDS
    polar = erfa.pom00(orientation.x, orientation.y, erfa.sp00(MJD_ZERO, tt))
    direction = erfa.s2c(lon, np.radians(declination_deg))
    turned = polar.T @ direction
    lon_turned, declination = erfa.c2s(turned)
    hour_angle = (longitude - lon_turned + np.pi) % (2.0 * np.pi) - np.pi
    xyz = erfa.gd2gc(1, longitude, np.radians(latitude_deg), height_m)
    speed = EARTH_RATE * float(np.hypot(xyz[0], xyz[1])) / 299792458.0  # m/s, exact by definition
    return Axis(declination=float(declination), hour_angle=float(hour_angle), diurnal=speed)


def apply_proper_motion(
    ra: ArrayLike,
    dec: ArrayLike,
    pm_ra: ArrayLike,
    pm_dec: ArrayLike,
    *,
    epoch: float,
    mjd: float,
) -> tuple[FloatArray, FloatArray]:
    """Catalogue place at another epoch; straight motion, no parallax or radial velocity.

    Parameters
    ----------
    ra, dec : array_like
        ICRS at `epoch`, degrees.
    pm_ra, pm_dec : array_like
        mas/yr; `pm_ra` includes cos(dec). NaN counts as no motion.
    epoch : float
        Julian year.
    mjd : float
        Date wanted.

    Returns
    -------
    ra, dec : ndarray
        ICRS at `mjd`, degrees, `ra` in [0, 360).
    """
    alpha = np.radians(np.asarray(ra, np.float64))
    delta = np.radians(np.asarray(dec, np.float64))
    years = (mjd - J2000_MJD) / JULIAN_YEAR + 2000.0 - epoch
    east = np.nan_to_num(np.asarray(pm_ra, np.float64)) * MAS * years
    north = np.nan_to_num(np.asarray(pm_dec, np.float64)) * MAS * years
    sin_a, cos_a, sin_d, cos_d = np.sin(alpha), np.cos(alpha), np.sin(delta), np.cos(delta)
    x = cos_a * cos_d - east * sin_a - north * cos_a * sin_d
    y = sin_a * cos_d + east * cos_a - north * sin_a * sin_d
    z = sin_d + north * cos_d
    return np.degrees(np.arctan2(y, x)) % 360.0, np.degrees(np.arctan2(z, np.hypot(x, y)))


def _turn_back(
    ra: FloatArray, dec: FloatArray, context: NDArray[np.void]
) -> tuple[FloatArray, FloatArray]:
    """Catalogue place of apparent places, by their contexts; all in radians."""
    ra_cat, dec_cat = erfa.aticq(ra, dec, context)
    # ERFA's inverse stops at about a microarcsecond; one correction makes it exact.
    ra_back, dec_back = erfa.atciqz(ra_cat, dec_cat, context)
    delta = (ra - ra_back + np.pi) % (2.0 * np.pi) - np.pi
    return (ra_cat + delta) % (2.0 * np.pi), dec_cat + (dec - dec_back)


@dataclass(frozen=True, eq=False)
class ApparentPlace:
    """ICRS to CIRS and back over a span of time; made by `make_apparent_place`.

    Attributes
    ----------
    mjd_nodes : ndarray
        UTC dates at which the astrometric context was computed; linear in between.
    """

    mjd_nodes: FloatArray
    _contexts: NDArray[np.void] = field(repr=False)

    def _context(self, mjd: FloatArray) -> NDArray[np.void]:
        """Interpolated context of each date; held at the ends."""
        nodes = self.mjd_nodes
        step = nodes[1] - nodes[0]
        where = np.clip((mjd - nodes[0]) / step, 0.0, len(nodes) - 1.0)
        where = np.where(np.isfinite(where), where, 0.0)
        k = np.minimum(where.astype(np.int64), len(nodes) - 2)
        w = where - k
        plain = self._contexts.view(np.float64).reshape(len(nodes), -1)
        # In place: thirty numbers a star make large arrays, and new ones cost more than the sums.
        mixed = np.diff(plain, axis=0)[k]
        mixed *= w[..., None]
        mixed += plain[k]
        return np.ascontiguousarray(mixed).view(self._contexts.dtype)[..., 0]

    def to_apparent(
        self, ra: ArrayLike, dec: ArrayLike, mjd: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Apparent (CIRS) place of catalogue places.

        Parameters
        ----------
        ra, dec : array_like
            ICRS at the epoch of observation, radians.
        mjd : array_like
            UTC of each.

        Returns
        -------
        ra, dec : ndarray
            CIRS (geocentric), radians.
        """
        return self._turn(erfa.atciqz, ra, dec, mjd)

    def _turn(
        self, function: Callable[..., Any], ra: ArrayLike, dec: ArrayLike, mjd: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Turn places by the context of each date."""
        if np.ndim(mjd) == 0:  # one context for all
            context = self._context(np.asarray(mjd, np.float64))
            x, y = function(np.asarray(ra, np.float64), np.asarray(dec, np.float64), context)
            return np.asarray(x), np.asarray(y)
        arrays = np.broadcast_arrays(*(np.asarray(a, np.float64) for a in (ra, dec, mjd)))
        flat = [a.ravel() for a in arrays]
        out = np.empty((2, flat[0].size))
        # A context has thirty numbers: those of all stars of a long strip would be large.
        for first in range(0, flat[0].size, _AT_ONCE):
            a, b, date = (f[first : first + _AT_ONCE] for f in flat)
            out[:, first : first + _AT_ONCE] = function(a, b, self._context(date))
        x, y = out.reshape(2, *arrays[0].shape)
        return x, y

    def to_icrs(
        self, ra: ArrayLike, dec: ArrayLike, mjd: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Catalogue place of apparent (CIRS) places: the inverse of `to_apparent`, radians."""
        return self._turn(_turn_back, ra, dec, mjd)

    def pole_angle(self, ra: ArrayLike, dec: ArrayLike, mjd: ArrayLike) -> FloatArray:
        """Position angle, at catalogue places, of the direction to the apparent pole.

        Parameters
        ----------
        ra, dec : array_like
            ICRS, radians.
        mjd : array_like
            UTC.

        Returns
        -------
        ndarray
            Radians from ICRS north through east.
        """
        arrays = np.broadcast_arrays(*(np.asarray(a, np.float64) for a in (ra, dec, mjd)))
        pole = self._context(arrays[2])["bpn"][..., 2, :]
        sin_a, cos_a = np.sin(arrays[0]), np.cos(arrays[0])
        sin_d, cos_d = np.sin(arrays[1]), np.cos(arrays[1])
        east = -sin_a * pole[..., 0] + cos_a * pole[..., 1]
        north = -cos_a * sin_d * pole[..., 0] - sin_a * sin_d * pole[..., 1] + cos_d * pole[..., 2]
        return np.asarray(np.arctan2(east, north))


def make_apparent_place(*, mjd_first: float, mjd_last: float) -> ApparentPlace:
    """Astrometric contexts over a span of time.

    Parameters
    ----------
    mjd_first, mjd_last : float
        UTC; a node is added beyond either end.

    Returns
    -------
    ApparentPlace

    Raises
    ------
    ValueError
        If the span is not finite, reversed, or longer than ten days.
    """
    span = mjd_last - mjd_first
    if not (np.isfinite(span) and 0.0 <= span <= 10.0):
        raise ValueError(
            "mjd_last must follow mjd_first by at most ten days, "
            f"got mjd_first {mjd_first} and mjd_last {mjd_last}"
        )
    step = NODE_STEP / SECONDS
    nodes: FloatArray = mjd_first + step * np.arange(
        -1.0, np.ceil(span / step) + 2.0, dtype=np.float64
    )
    tt = nodes + (float(tai_minus_utc(mjd_first)) + TT_MINUS_TAI) / SECONDS
    contexts, _ = erfa.apci13(MJD_ZERO, tt)
    for name in OBSERVER_FIELDS:  # left as found in memory, and interpolated with the rest
        contexts[name] = 0.0
    return ApparentPlace(mjd_nodes=nodes, _contexts=np.ascontiguousarray(contexts))
