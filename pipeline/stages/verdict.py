"""The verdict of a night: measured facts against limits, each fault by the quantity defining it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = ["Finding", "NightFacts", "StripFacts", "Verdict", "VerdictLimits", "judge"]

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
        The limit that was passed, in `unit`.
    unit : str
    text : str
        The finding in a sentence.
    severity : {"note", "usable", "bad"}
        What it makes of the night.
    """

    fault: str
    where: str
    value: float
    error: float | None
    limit: float
    unit: str
    text: str
    severity: Severity


@dataclass(frozen=True)
class Verdict:
    """A word, and why."""

    word: Word
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class VerdictLimits:
    """From where on a night is usable only, or bad. Pairs are (usable, bad)."""

    cloud: tuple[float, float] = (0.3, 1.5)  # mag
    seeing: tuple[float, float] = (2.2, 4.0)  # arcsec
    steady: float = 0.1  # relative spread of the seeing below which the optics are suspected
    smear: tuple[float, float] = (0.5, 2.0)  # px rms that the advice would take away
    moon: tuple[float, float] = (2.0, 8.0)  # sky over the darkest night's
    dead_columns: tuple[float, float] = (0.05, 0.2)  # share of an amplifier
    flat: tuple[float, float] = (0.01, 0.1)  # largest change of response, smoothed
    trails: tuple[float, float] = (0.005, 0.05)  # share of pixels
    failed: tuple[float, float] = (0.0, 0.3)  # share of blocks


@dataclass(frozen=True)
class StripFacts:
    """What the products of one strip say; NaN where it could not be measured.

    Attributes
    ----------
    name : str
    cloud, cloud_err : float
        Largest drop of the zero point below the strip's clearest, mag.
    seeing, seeing_err : float
        Median full width at half maximum, arcsec.
    seeing_spread : float
        Standard deviation along the strip over the median.
    smear_line, smear_column : float
        Smear along and across the scan that the advised settings would take away, px rms.
    period_change, period_change_err : float
        Relative change of the line period that is advised.
    rotation, rotation_err : float
        Of the camera against the drift, deg.
    sky, sky_slope : float
        Median level, electron/px, and change from start to end over it.
    sky_mag : float
        mag/arcsec2 where the zero point is known.
    lost_lines : tuple of (line, line_err, lost)
    trail_share : float
        Share of pixels masked as trail.
    n_trails : int
    solved : bool
        Sky positions are there.
    """

    name: str
    cloud: float = np.nan
    cloud_err: float = np.nan
    seeing: float = np.nan
    seeing_err: float = np.nan
    seeing_spread: float = np.nan
    smear_line: float = np.nan
    smear_column: float = np.nan
    period_change: float = np.nan
    period_change_err: float = np.nan
    rotation: float = np.nan
    rotation_err: float = np.nan
    sky: float = np.nan
    sky_slope: float = np.nan
    sky_mag: float = np.nan
    lost_lines: tuple[tuple[float, float, int], ...] = ()
    trail_share: float = 0.0
    n_trails: int = 0
    solved: bool = True


@dataclass(frozen=True)
class NightFacts:
    """What the products of a night say.

    Attributes
    ----------
    night : str
    strips : tuple of StripFacts
        Science strips that have products.
    dead_columns : tuple of (amplifier, share)
        Share of columns without response, for each stretch of columns that shares an amplifier.
    flat_change, flat_change_err : float
        Largest smoothed departure of the response from the other nights'; NaN without any.
    flat_column : float
        Column of it.
    sky_dark : float
        Least median sky of any night in the products, electron/px.
    failed : tuple of str
        Steps that failed and were not done since, with the reason.
    failed_share : float
        Share of blocks that failed.
    """

    night: str
    strips: tuple[StripFacts, ...] = ()
    dead_columns: tuple[tuple[str, float], ...] = ()
    flat_change: float = np.nan
    flat_change_err: float = np.nan
    flat_column: float = np.nan
    sky_dark: float = np.nan
    failed: tuple[str, ...] = ()
    failed_share: float = 0.0


def _grade(value: float, limits: tuple[float, float]) -> tuple[Severity, float] | None:
    """Severity and the limit passed; None where it is within limits or unknown."""
    if not np.isfinite(value) or value <= limits[0]:
        return None
    return ("bad", limits[1]) if value > limits[1] else ("usable", limits[0])


def _known(error: float) -> float | None:
    return float(error) if np.isfinite(error) else None


def judge(facts: NightFacts, limits: VerdictLimits | None = None) -> Verdict:
    """Judge a night.

    Parameters
    ----------
    facts : NightFacts
    limits : VerdictLimits, optional
        The defaults where absent.

    Returns
    -------
    Verdict
        "bad" with any bad finding or no strip at all, "usable" with any that says so, else "good".
        The worst finding is first.
    """
    limits = VerdictLimits() if limits is None else limits
    found: list[Finding] = []
    for strip in facts.strips:
        found += _judge_strip(strip, facts, limits)
    if not facts.strips:
        found.append(
            Finding("no products", facts.night, 0.0, None, 1.0, "strips",
                    "No strip of the night has products: nothing could be measured.", "bad")
        )  # fmt: skip
    for name, share in facts.dead_columns:
        if grade := _grade(share, limits.dead_columns):
            text = f"{100 * share:.0f} % of the columns of {name} have no response."
            found.append(
                Finding("dead amplifier", name, share, None, grade[1], "share", text, grade[0])
            )
    if grade := _grade(facts.flat_change - 3 * np.nan_to_num(facts.flat_change_err), limits.flat):
        text = (
            f"The response differs by {100 * facts.flat_change:.1f} % from that of the other "
            f"nights at column {facts.flat_column:.0f}: look for dust, or for light on the chip."
        )
        found.append(
            Finding("dirty flat", f"column {facts.flat_column:.0f}", facts.flat_change,
                    _known(facts.flat_change_err), grade[1], "relative", text, grade[0])
        )  # fmt: skip
    if facts.failed:
        grade = _grade(facts.failed_share, limits.failed) or ("usable", limits.failed[0])
        text = f"{len(facts.failed)} steps failed, the first: {facts.failed[0]}."
        found.append(
            Finding("failed steps", facts.night, facts.failed_share, None, grade[1],
                    "share of blocks", text, grade[0])
        )  # fmt: skip
    return Verdict(_word(found), tuple(sorted(found, key=lambda f: -_RANK[f.severity])))


_RANK: dict[Severity, int] = {"note": 0, "usable": 1, "bad": 2}
_WORDS: tuple[Word, ...] = ("good", "usable", "bad")


def _word(found: Sequence[Finding]) -> Word:
    worst = max((_RANK[f.severity] for f in found), default=0)
    return _WORDS[worst]


def _judge_strip(strip: StripFacts, facts: NightFacts, limits: VerdictLimits) -> list[Finding]:
    found: list[Finding] = []

    def add(
        fault: str,
        value: float,
        error: float,
        grade: tuple[Severity, float] | None,
        unit: str,
        text: str,
    ) -> None:
        if grade is not None:
            found.append(
                Finding(fault, strip.name, float(value), _known(error), grade[1], unit, text,
                        grade[0])
            )  # fmt: skip

    if not strip.solved:
        add("no solution", 0.0, np.nan, ("bad", 1.0), "solutions",
            "The strip has no sky positions.")  # fmt: skip
    add("cloud", strip.cloud, strip.cloud_err, _grade(strip.cloud, limits.cloud), "mag",
        f"The zero point drops by {strip.cloud:.2f} mag below the strip's clearest part.",
    )  # fmt: skip
    steady = strip.seeing_spread <= limits.steady
    add("defocus" if steady else "seeing", strip.seeing, strip.seeing_err,
        _grade(strip.seeing, limits.seeing), "arcsec",
        f"Stars are {strip.seeing:.2f} arcsec wide, and "
        + ("steadily so: look at the focus." if steady else "change along the strip: the air."),
    )  # fmt: skip
    add("clock error", strip.smear_line, np.nan, _grade(strip.smear_line, limits.smear), "px rms",
        f"The line period is off by {100 * strip.period_change:+.3f} %, which smears stars by "
        f"{strip.smear_line:.2f} px rms along the scan.")  # fmt: skip
    add("rotated camera", strip.smear_column, np.nan, _grade(strip.smear_column, limits.smear),
        "px rms",
        f"The camera is rotated by {strip.rotation:+.3f} deg against the drift, which smears stars "
        f"by {strip.smear_column:.2f} px rms across the scan.")  # fmt: skip
    ratio = strip.sky / facts.sky_dark if facts.sky_dark > 0 else np.nan
    bright = f"{strip.sky_mag:.2f} mag/arcsec2, " if np.isfinite(strip.sky_mag) else ""
    add("bright sky", ratio, np.nan, _grade(ratio, limits.moon), "x darkest",
        f"The sky is {ratio:.1f} times that of the darkest night ({bright}{strip.sky:.0f} "
        f"electron/px, changing by {100 * strip.sky_slope:+.0f} % along the strip).")  # fmt: skip
    for line, line_err, lost in strip.lost_lines:
        add("lost lines", lost, np.nan, ("usable", 1.0), "lines",
            f"{abs(lost)} lines {'lost' if lost > 0 else 'written twice'} at line {line:.0f} "
            f"(+- {line_err:.0f}).")  # fmt: skip
    add("satellites", strip.trail_share, np.nan, _grade(strip.trail_share, limits.trails),
        "share of pixels",
        f"{100 * strip.trail_share:.2f} % of the pixels are masked by {strip.n_trails} trails.",
    )  # fmt: skip
    return found
