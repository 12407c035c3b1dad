"""What a quick look found: plain arrays and words, from the tasks to the page."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Glance", "Missing", "Preview", "Reading", "Trend"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """One number of the summary: NaN where it was not measured, with the reason in `remark`."""

    name: str
    value: float
    error: float
    unit: str
    digits: int
    remark: str = ""


@dataclass(frozen=True)
class Missing:
    """What could not be measured, and why."""

    what: str
    why: str


@dataclass(frozen=True)
class Trend:
    """A straight line through values against time.

    Parameters
    ----------
    value : float
        At the middle of the time.
    slope, error : float
        Per hour, and its standard error.
    hours : float
        Middle of the time since the first line.
    n : int
        Values used.
    """

    value: float
    slope: float
    error: float
    hours: float
    n: int


@dataclass(frozen=True)
class Preview:
    """A small picture of the whole strip.

    Parameters
    ----------
    cells : ndarray of float32 of shape (n_cells, n_across)
        Mean level, electrons above the overscan; NaN without data.
    step : int
        Lines, and columns, of a cell.
    group : int
        Lines read of each `step`.
    """

    cells: NDArray[np.float32]
    step: int
    group: int


@dataclass(frozen=True)
class Glance:
    """Everything that the page of a quick look shows.

    Parameters
    ----------
    name, night, chip, filter : str
        Of the strip.
    shutter_open : bool
    state : str
        Whole, or how far it is written.
    start : str
        UTC of the first line; empty where it is unknown.
    n_lines, n_columns, n_stage : int
        Of the strip as it stands.
    line_period, pixel_scale : float
        Seconds, arcsec.
    n_read : int
        Lines read for blocks and preview.
    calibration, reference : str
        What was used, in words.
    readings : tuple of Reading
        The numbers that come first.
    blocks : mapping of str to ndarray of shape (n_blocks,)
        ``line``, ``minutes``, ``sky``, ``noise``, ``fwhm``, ``fwhm_err``, ``seeing``,
        ``seeing_err``, ``n_stars``, ``elongation``, ``elongation_err``, ``dimming``,
        ``dimming_err``, ``saturated``, ``masked``, ``lost``.
    dimming_of : str
        What ``dimming`` compares: "reference stars" or "stars of one rank".
    preview : Preview or None
    response : mapping of str to ndarray of shape (n_columns,)
        ``ratio``, ``error``, ``bad``; empty where it was not measured.
    moments : mapping
        As a strip's ``star_moments``; empty where there were no stars.
    advice : tuple of str
        Sentences for the observer.
    focus : Trend or None
        FWHM of the seeing, arcsec.
    missing : tuple of Missing
    notes : tuple of str
    seconds : float
        That the look took.
    """

    name: str
    night: str
    chip: str
    filter: str
    shutter_open: bool
    state: str
    start: str
    n_lines: int
    n_columns: int
    n_stage: int
    line_period: float
    pixel_scale: float
    n_read: int
    calibration: str
    reference: str
    readings: tuple[Reading, ...]
    blocks: Mapping[str, NDArray[Any]]
    dimming_of: str
    preview: Preview | None
    response: Mapping[str, NDArray[Any]]
    moments: Mapping[str, Any]
    advice: tuple[str, ...] = ()
    focus: Trend | None = None
    missing: tuple[Missing, ...] = ()
    notes: tuple[str, ...] = field(default=())
    seconds: float = 0.0
