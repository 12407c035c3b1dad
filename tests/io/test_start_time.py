"""Times as cameras write them."""

import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.io.start_time import parse_time

MICROSECOND = 1e-6 / 86400


@settings(max_examples=60, deadline=None)
@given(
    seconds=st.integers(0, 86399),
    micro=st.integers(0, 999_999),
    day=st.integers(41317, 60999),  # to the leap seconds that astropy knows as settled
    scale=st.sampled_from(["UTC", "TAI", "TT"]),
)
def test_iso_times_agree_with_astropy(seconds, micro, day, scale):
    clock = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{micro:06d}"
    date = str(np.datetime64("1858-11-17") + np.timedelta64(day, "D"))
    expected = Time(f"{date}T{clock}", scale=scale.lower()).utc.mjd
    if expected < 41317:  # the first seconds of 1972 in TAI are still 1971 in UTC
        return
    assert parse_time(f"{date}T{clock}", kind="iso", scale=scale) == pytest.approx(
        expected, abs=2 * MICROSECOND, rel=0
    )


@pytest.mark.parametrize(
    ("value", "kind", "expected"),
    [
        ("2000-01-01T12:00", "iso", 51544.5),  # J2000.0 but for the scale: MJD 51544.5
        ("2000-01-01 12:00:00Z", "iso", 51544.5),
        ("2000-01-01T12:00:00+00:00", "iso", 51544.5),
        (" 2000-01-01T12:00:00.000 ", "iso", 51544.5),
        (51544.5, "mjd", 51544.5),
        ("51544.5", "mjd", 51544.5),
        (51544, "mjd", 51544.0),
        (2451545.0, "jd", 51544.5),
        ("2451545", "jd", 51544.5),
    ],
)
def test_forms(value, kind, expected):
    assert parse_time(value, kind=kind) == pytest.approx(expected, abs=1e-10, rel=0)


def test_gps_time_is_19_seconds_behind_atomic_time():
    """FITS 4.0, table 30."""
    gps = parse_time("2020-01-01T00:00:00", kind="iso", scale="gps")
    tai = parse_time("2020-01-01T00:00:19", kind="iso", scale="TAI")
    assert gps == pytest.approx(tai, abs=MICROSECOND, rel=0)


@pytest.mark.parametrize(
    ("value", "kind", "match"),
    [
        ("2020-01-01", "iso", "YYYY-MM-DDThh:mm:ss"),
        ("01/02/2020 10:00:00", "iso", "YYYY-MM-DDThh:mm:ss"),
        ("2020-01-01T10:00:00+02:00", "iso", "YYYY-MM-DDThh:mm:ss"),
        (51544.5, "iso", "YYYY-MM-DDThh:mm:ss"),
        ("2019-02-29T10:00:00", "iso", "a date and time that exist"),
        ("2020-01-01T25:00:00", "iso", "a date and time that exist"),
        ("2020-01-01T23:59:60", "iso", "a date and time that exist"),  # no leap second then
        ("2020-01-01T10:00:00", "mjd", "a number of days .*'mjd'"),
        (float("nan"), "mjd", "a number of days"),
        (True, "jd", "a number of days .*'jd'"),
        (51544.5, "jd", "between 1972 and 2100"),
        (2451545.0, "mjd", "between 1972 and 2100"),
        ("1970-01-01T00:00:00", "iso", "between 1972 and 2100"),
    ],
)
def test_what_is_no_time(value, kind, match):
    with pytest.raises(ValueError, match=match):
        parse_time(value, kind=kind)


def test_unknown_scale():
    with pytest.raises(ValueError, match=r"TIMESYS UTC, TAI, TT or GPS .*'TDB'"):
        parse_time(51544.5, kind="mjd", scale="tdb")
