"""What a verdict is made from and of: facts of a night, limits, findings."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = ["Finding", "NightFacts", "StripFacts", "Verdict", "VerdictLimits"]

Severity = Literal["note", "usable", "bad"]
Word = Literal["good", "usable", "bad"]


@dataclass(frozen=True)
class Finding:
    """One fault: the quantity that defines it, as found, and the limit it passed.

    Attributes
    ----------
    fault : str
        Short name, such as "cloud".
    where : str
        Strip, amplifier or calibration.
    value : float
        As found, in `unit`.
    error : float or None
        Standard error; None where none is known.
    limit : float
        The limit that was passed, in `unit`; the value's size is compared where it has a sign.
    unit : str
    text : str
        The finding in a sentence.
    severity : {"note", "usable", "bad"}
        What it makes of the night.
    cost : float or None
        Share of the signal-to-noise ratio of faint stars that it costs, where that is its measure.
    """

    fault: str
    where: str
    value: float
    error: float | None
    limit: float
    unit: str
    text: str
    severity: Severity
    cost: float | None = None


@dataclass(frozen=True)
class Verdict:
    """A word, and why; and what could not be judged, each with the reason."""

    word: Word
    findings: tuple[Finding, ...]
    unjudged: tuple[str, ...] = ()


@dataclass(frozen=True)
class VerdictLimits:
    """From where on a night is usable only, or bad. Pairs are (usable, bad).

    All are our choice; none comes from a source or from real nights. What they rest on:

    Attributes
    ----------
    depth : tuple of float
        Share of the signal-to-noise ratio of faint stars that is lost to cloud, to wide stars, to
        smear or to a bright sky. Limits on magnitudes, arcsec, px and sky follow from these by
        `pipeline.stages.depth_cost`. At 0.2 a night gives a stack what 0.64 of a night would, at
        0.5 a quarter. Smear is noted from a quarter of the first on: it can be had for nothing.
    pixels : tuple of float
        Share of columns, pixels or lines that are lost: so much of the sky is missing.
    stars : tuple of float
        Share of the usual number of sources that is missing, where no zero point tells more.
    flat : tuple of float
        Largest smoothed change of the response from the other nights': 0.01 is thrice the
        3 mmag that bright stars are to keep. The night's own vectors take it out; those of a
        season, and stray light in it, do not.
    amplifier : float
        Share of an amplifier's columns without response from which on it is called dead.
    seeing : float
        Arcsec; what is usual where no other night says it, and no more than this where some do.
        About twice what good sites have in the visible (common knowledge, no source).
    """

    depth: tuple[float, float] = (0.2, 0.5)
    pixels: tuple[float, float] = (0.05, 0.25)
    stars: tuple[float, float] = (0.5, 0.9)
    flat: tuple[float, float] = (0.01, 0.1)
    amplifier: float = 0.5
    seeing: float = 2.0


@dataclass(frozen=True)
class StripFacts:
    """What the products of one strip say; NaN where it could not be measured.

    "Usual" is the median of the better half of all strips of the same chip and filter, this one
    among them, or what the configuration expects; NaN without any.

    Attributes
    ----------
    name : str
    n_sources : int
    sources_usual : float
        For a strip of this many lines.
    cloud, cloud_err : float
        Largest drop of the zero point below the strip's clearest, mag.
    cloud_typical : float
        Median of that drop along the strip, mag.
    dimming, dimming_err : float
        Usual zero point, at this exposure, minus that of the strip at its clearest, mag.
    seeing, seeing_err, seeing_usual : float
        Median full width at half maximum, arcsec.
    seeing_spread, spread_usual : float
        Standard deviation of it along the strip, arcsec.
    sigma : float
        Standard deviation of the seeing's profile taken for a Gaussian, px.
    smear_line, smear_column : float
        Smear along and across the scan that the advised settings would take away, px rms.
    period_change, period_change_err : float
        Relative change of the line period that is advised.
    rotation, rotation_err : float
        Of the camera against the drift, deg.
    sky, sky_usual, sky_slope : float
        Median level, electron/px; the usual at this exposure; change from start to end over it.
    sky_mag : float
        mag/arcsec2 where the zero point is known.
    lost_lines : tuple of (line, line_err, lost)
    trail_share : float
        Share of pixels masked as trail.
    n_trails : int
    solved : bool
        Sky positions are there.
    unsolved : str
        Why they are not.
    """

    name: str
    n_sources: int = 0
    sources_usual: float = np.nan
    cloud: float = np.nan
    cloud_err: float = np.nan
    cloud_typical: float = np.nan
    dimming: float = np.nan
    dimming_err: float = np.nan
    seeing: float = np.nan
    seeing_err: float = np.nan
    seeing_usual: float = np.nan
    seeing_spread: float = np.nan
    spread_usual: float = np.nan
    sigma: float = np.nan
    smear_line: float = np.nan
    smear_column: float = np.nan
    period_change: float = np.nan
    period_change_err: float = np.nan
    rotation: float = np.nan
    rotation_err: float = np.nan
    sky: float = np.nan
    sky_usual: float = np.nan
    sky_slope: float = np.nan
    sky_mag: float = np.nan
    lost_lines: tuple[tuple[float, float, int], ...] = ()
    trail_share: float = 0.0
    n_trails: int = 0
    solved: bool = True
    unsolved: str = ""


@dataclass(frozen=True)
class NightFacts:
    """What the products of a night say.

    Attributes
    ----------
    night : str
    strips : tuple of StripFacts
        Science strips that have products.
    dead_columns : tuple of (amplifier, share, of_chip)
        For each amplifier the share of its columns that have no response, and the share of the
        chip's columns that it has.
    flat_change, flat_change_err : float
        Largest smoothed departure of the response from the other nights'; NaN without any.
    flat_column : float
        Column of it.
    flat_others, flat_alike : int
        Other nights compared with, and how many of them have this night's response there, not
        that of the rest.
    failed : tuple of str
        Steps that failed and were not done since, with the reason.
    failed_share : float
        Share of the night's lines in blocks that failed.
    """

    night: str
    strips: tuple[StripFacts, ...] = ()
    dead_columns: tuple[tuple[str, float, float], ...] = ()
    flat_change: float = np.nan
    flat_change_err: float = np.nan
    flat_column: float = np.nan
    flat_others: int = 0
    flat_alike: int = 0
    failed: tuple[str, ...] = ()
    failed_share: float = 0.0
