"""What a strip is: amplifiers, segments, times and columns. Pure: no file is opened here."""

from dataclasses import dataclass
from typing import Any, Literal

import erfa
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SECONDS_PER_DAY",
    "Amplifier",
    "Segment",
    "Strip",
    "add_seconds",
    "format_time",
    "index_amplifiers",
    "index_raw_columns",
    "lines_to_mjd",
    "mjd_to_lines",
    "night_of",
    "seconds_between",
    "take_chip",
]

SECONDS_PER_DAY = 86400.0
_MJD_ZERO = 2400000.5  # Julian date of MJD 0 (by definition)


@dataclass(frozen=True)
class Amplifier:
    """One amplifier's share of the chip; all ranges are half-open.

    Parameters
    ----------
    name : str
        One to three characters, as they appear in header keywords.
    data : tuple of int
        Raw columns that hold image.
    overscan : tuple of int
        Raw columns of the serial overscan; an empty range where there is none.
    chip : tuple of int
        Chip columns that `data` fills.
    reversed : bool
        Raw columns run against chip columns.
    gain : float
        Electrons per ADU.
    read_noise : float
        Electrons.
    saturation : float
        ADU.

    Raises
    ------
    ValueError
        If `data` and `chip` differ in length.
    """

    name: str
    data: tuple[int, int]
    overscan: tuple[int, int]
    chip: tuple[int, int]
    reversed: bool
    gain: float
    read_noise: float
    saturation: float

    def __post_init__(self) -> None:
        if self.data[1] - self.data[0] != self.chip[1] - self.chip[0]:
            msg = (
                f"amplifier {self.name}: data {self.data} and chip {self.chip} "
                "must hold the same number of columns"
            )
            raise ValueError(msg)

    @property
    def n_columns(self) -> int:
        """Number of chip columns that this amplifier reads."""
        return self.chip[1] - self.chip[0]

    @property
    def raw_index(self) -> NDArray[np.intp]:
        """Raw column of each of its chip columns, in the order of the chip columns."""
        raw = np.arange(self.data[0], self.data[1])
        return raw[::-1].copy() if self.reversed else raw


@dataclass(frozen=True)
class Segment:
    """One file of a strip.

    Parameters
    ----------
    path : str
        Absolute path of the file.
    number : int
        Its number within the strip.
    first_line : int
        Line of the strip that is its first.
    n_lines : int
        Lines it holds.
    """

    path: str
    number: int
    first_line: int
    n_lines: int

    @property
    def stop_line(self) -> int:
        """Line of the strip after its last."""
        return self.first_line + self.n_lines


@dataclass(frozen=True)
class Strip:
    """One continuous scan of one chip in one filter.

    Parameters
    ----------
    name : str
        Unique within its night.
    night : str
        Date (YYYY-MM-DD) of the local noon before.
    chip, filter : str
        Names from the headers.
    shutter_open : bool
        False for a dark strip.
    mjd_start : float
        UTC as MJD when line 0 leaves the register.
    line_period : float
        Seconds per line.
    n_lines : int
        Lines from the first to the last, gaps included.
    n_columns, n_raw_columns, n_stage : int
        Columns of the chip, of the raw frame, and rows that integrate.
    amplifiers : tuple of Amplifier
        They tile the chip.
    segments : tuple of Segment
        In the order of their lines, without overlap.
    gaps : tuple of (int, int)
        Half-open ranges of lines without data.
    problems : tuple of str
        What was found wrong, in words for the report.

    Raises
    ------
    ValueError
        If segments overlap or leave the strip, or a number is not positive.
    """

    name: str
    night: str
    chip: str
    filter: str
    shutter_open: bool
    mjd_start: float
    line_period: float
    n_lines: int
    n_columns: int
    n_raw_columns: int
    n_stage: int
    amplifiers: tuple[Amplifier, ...]
    segments: tuple[Segment, ...]
    gaps: tuple[tuple[int, int], ...] = ()
    problems: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for key in ("line_period", "n_lines", "n_columns", "n_raw_columns", "n_stage"):
            if not getattr(self, key) > 0:
                msg = f"strip {self.name}: {key} must be positive, received {getattr(self, key)}"
                raise ValueError(msg)
        end = 0
        for segment in self.segments:
            if segment.first_line < end:
                msg = (
                    f"strip {self.name}: segment {segment.number} begins at line "
                    f"{segment.first_line}, before line {end} where its predecessor ends"
                )
                raise ValueError(msg)
            end = segment.stop_line
        if end > self.n_lines:
            msg = f"strip {self.name}: segments end at line {end}, beyond n_lines {self.n_lines}"
            raise ValueError(msg)

    @property
    def T0(self) -> float:
        """Integration time of the sky in seconds: ``n_stage * line_period``."""
        return self.n_stage * self.line_period

    @property
    def mjd_stop(self) -> float:
        """UTC as MJD when the last line leaves the register."""
        return float(lines_to_mjd(self, np.array([self.n_lines - 1.0]))[0])

    def __repr__(self) -> str:
        state = "open" if self.shutter_open else "closed"
        return (
            f"<Strip {self.name} of {self.night}, chip {self.chip}, filter {self.filter or '-'}, "
            f"shutter {state}, {self.n_lines} lines in {len(self.segments)} segment(s), "
            f"{len(self.gaps)} gap(s)>"
        )


def add_seconds(mjd: float, seconds: NDArray[np.floating] | float) -> NDArray[np.float64]:
    """Time so many seconds later.

    Parameters
    ----------
    mjd : float
        UTC as MJD.
    seconds : float or ndarray
        Atomic seconds.

    Returns
    -------
    ndarray of float64
        UTC as MJD; a leap second on the way is counted.
    """
    tai1, tai2, _ = erfa.ufunc.utctai(_MJD_ZERO, mjd)
    days = np.asarray(seconds, dtype=np.float64) / SECONDS_PER_DAY
    utc1, utc2, _ = erfa.ufunc.taiutc(tai1, tai2 + days)
    return np.asarray((utc1 - _MJD_ZERO) + utc2, dtype=np.float64)


def seconds_between(start: float, stop: NDArray[np.floating] | float) -> NDArray[np.float64]:
    """Atomic seconds from one time to another, both UTC as MJD; the inverse of `add_seconds`."""
    start1, start2, _ = erfa.ufunc.utctai(_MJD_ZERO, start)
    tai1, tai2, _ = erfa.ufunc.utctai(_MJD_ZERO, np.asarray(stop, dtype=np.float64))
    days = (tai1 - start1) + (tai2 - start2)
    return np.asarray(days * SECONDS_PER_DAY, dtype=np.float64)


def lines_to_mjd(strip: Strip, lines: NDArray[np.floating | np.integer]) -> NDArray[np.float64]:
    """Time at which lines leave the register.

    Parameters
    ----------
    strip : Strip
        Gives the start and the line period.
    lines : ndarray
        Line numbers, fractions allowed.

    Returns
    -------
    ndarray of float64
        UTC as MJD, counted in atomic seconds so that a leap second in the night does no harm.
    """
    return add_seconds(strip.mjd_start, np.asarray(lines, dtype=np.float64) * strip.line_period)


def mjd_to_lines(strip: Strip, mjd: NDArray[np.floating]) -> NDArray[np.float64]:
    """Line that leaves the register at a time; the inverse of `lines_to_mjd`.

    Parameters
    ----------
    strip : Strip
        Gives the start and the line period.
    mjd : ndarray
        UTC as MJD.

    Returns
    -------
    ndarray of float64
        Line numbers with their fractions.
    """
    return seconds_between(strip.mjd_start, mjd) / strip.line_period


def index_raw_columns(amplifiers: tuple[Amplifier, ...], *, n_columns: int) -> NDArray[np.intp]:
    """Raw column that holds each chip column: ``chip = raw[:, index]``.

    Parameters
    ----------
    amplifiers : tuple of Amplifier
        They must tile the chip.
    n_columns : int
        Columns of the chip.

    Returns
    -------
    ndarray of intp of shape (n_columns,)

    Raises
    ------
    ValueError
        If a chip column is read by none or by two of them.
    """
    index_amplifiers(amplifiers, n_columns=n_columns)
    index = np.empty(n_columns, dtype=np.intp)
    for amplifier in amplifiers:
        index[amplifier.chip[0] : amplifier.chip[1]] = amplifier.raw_index
    return index


def take_chip(
    raw: NDArray[Any], amplifiers: tuple[Amplifier, ...], *, n_columns: int
) -> NDArray[Any]:
    """Chip columns of raw lines: ``raw[:, index_raw_columns(...)]`` in a tenth of its time.

    Parameters
    ----------
    raw : ndarray of shape (n, n_raw_columns)
    amplifiers : tuple of Amplifier
        They must tile the chip.
    n_columns : int
        Columns of the chip.

    Returns
    -------
    ndarray of shape (n, n_columns)
        New, of the same type.

    Raises
    ------
    ValueError
        If a chip column is read by none or by two of them.
    """
    index_amplifiers(amplifiers, n_columns=n_columns)
    chip = np.empty((len(raw), n_columns), dtype=raw.dtype)
    for amplifier in amplifiers:
        part = raw[:, slice(*amplifier.data)]
        chip[:, slice(*amplifier.chip)] = part[:, ::-1] if amplifier.reversed else part
    return chip


def index_amplifiers(amplifiers: tuple[Amplifier, ...], *, n_columns: int) -> NDArray[np.intp]:
    """Position in `amplifiers` of the one that reads each chip column.

    Parameters
    ----------
    amplifiers : tuple of Amplifier
        They must tile the chip.
    n_columns : int
        Columns of the chip.

    Returns
    -------
    ndarray of intp of shape (n_columns,)

    Raises
    ------
    ValueError
        If a chip column is read by none or by two of them.
    """
    index = np.full(n_columns, -1, dtype=np.intp)
    for position, amplifier in enumerate(amplifiers):
        first, stop = amplifier.chip
        if first < 0 or stop > n_columns:
            msg = f"amplifier {amplifier.name}: chip {amplifier.chip} leaves 0..{n_columns}"
            raise ValueError(msg)
        if (index[first:stop] >= 0).any():
            msg = f"amplifier {amplifier.name}: chip {amplifier.chip} overlaps another amplifier"
            raise ValueError(msg)
        index[first:stop] = position
    if (index < 0).any():
        msg = f"amplifiers must tile the chip: column {int(np.argmax(index < 0))} has none"
        raise ValueError(msg)
    return index


def night_of(mjd: float, *, longitude: float) -> str:
    """Date of the local noon before a time.

    Parameters
    ----------
    mjd : float
        UTC as MJD.
    longitude : float
        Degrees, east positive.

    Returns
    -------
    str
        YYYY-MM-DD; noon is that of local mean solar time.
    """
    day = int(np.floor(mjd + longitude / 360.0 - 0.5))
    return str(np.datetime64("1858-11-17") + np.timedelta64(day, "D"))


def format_time(mjd: float, *, unit: Literal["s", "ms"] = "ms") -> str:
    """A time as people write it, rounded.

    Parameters
    ----------
    mjd : float
        UTC as MJD.
    unit : str
        Seconds, or milliseconds.

    Returns
    -------
    str
        YYYY-MM-DDThh:mm:ss, and decimals where the unit is milliseconds.
    """
    day = int(np.floor(mjd))
    count = round((mjd - day) * 86400 * (1000 if unit == "ms" else 1))
    midnight = np.datetime64("1858-11-17", unit) + np.timedelta64(day, "D")
    return str(midnight + np.timedelta64(count, unit))
