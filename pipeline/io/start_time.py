"""Times as cameras write them, to UTC as MJD."""

import math
import re
from typing import Any, Literal

import erfa

__all__ = ["parse_time"]

_MJD_ZERO = 2400000.5  # Julian date of MJD 0 (by definition)
_TT_MINUS_TAI = 32.184  # seconds (IAU 1991, recommendation IV)
_TAI_MINUS_GPS = 19.0  # seconds (FITS 4.0, table 30)
_ISO = re.compile(
    r"^(\d{4})-(\d{2})-(\d{2})[T ](\d{2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?(?:Z|\+00:?00)?$"
)
_MJD_RANGE = (41317.0, 88069.0)  # 1972, when leap seconds began, to 2100


def parse_time(value: Any, *, kind: Literal["iso", "mjd", "jd"], scale: str = "UTC") -> float:
    """Read a time from a header.

    Parameters
    ----------
    value : str, int or float
        As the header gives it.
    kind : {"iso", "mjd", "jd"}
        How it is written.
    scale : {"UTC", "TAI", "TT", "GPS"}
        Time scale (TIMESYS of FITS 4.0).

    Returns
    -------
    float
        UTC as MJD. A second 60 is read where a leap second was.

    Raises
    ------
    ValueError
        If it is no such time, or outside 1972 to 2100; the text continues "expected ...".
    """
    scale = scale.strip().upper()
    if scale not in {"UTC", "TAI", "TT", "GPS"}:
        msg = f"a time in TIMESYS UTC, TAI, TT or GPS (TIMESYS is {scale!r})"
        raise ValueError(msg)
    if kind == "iso":
        part1, part2 = _parse_iso(value, scale="UTC" if scale == "UTC" else "TAI")
    else:
        number = _parse_number(value, kind)
        part1, part2 = (_MJD_ZERO, number) if kind == "mjd" else (math.floor(number), number % 1)
    if scale != "UTC":
        offset = {"TAI": 0.0, "TT": -_TT_MINUS_TAI, "GPS": _TAI_MINUS_GPS}[scale]
        part1, part2, _ = erfa.ufunc.taiutc(part1, part2 + offset / 86400.0)
    mjd = float((part1 - _MJD_ZERO) + part2)
    if not _MJD_RANGE[0] <= mjd <= _MJD_RANGE[1]:
        msg = "a time between 1972 and 2100"
        raise ValueError(msg)
    return mjd


def _parse_iso(value: Any, *, scale: str) -> tuple[float, float]:
    match = _ISO.match(value.strip()) if isinstance(value, str) else None
    if match is None:
        msg = "YYYY-MM-DDThh:mm:ss.sss (raw.start_time_format = 'iso')"
        raise ValueError(msg)
    year, month, day, hour, minute = (int(g) for g in match.groups()[:5])
    second = float(match.group(6) or 0.0)
    part1, part2, status = erfa.ufunc.dtf2d(scale.encode(), year, month, day, hour, minute, second)
    # Status 1 is "dubious year" (leap seconds not yet announced), 2 and 3 "beyond the day's end".
    if status < 0 or status > 1:
        msg = "a date and time that exist"
        raise ValueError(msg)
    return float(part1), float(part2)


def _parse_number(value: Any, kind: str) -> float:
    try:
        number = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        msg = f"a number of days (raw.start_time_format = {kind!r})"
        raise ValueError(msg)
    return number
