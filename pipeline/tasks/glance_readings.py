"""The numbers of a quick look that come first, and the reasons for those that are missing."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.fit import FitResult
from pipeline.glance import Missing, Reading, Trend
from pipeline.stages.zeropoint import ZeroPointCurve
from pipeline.strip import Strip

__all__ = ["SATURATED", "Measured", "Teller", "read_numbers"]

SATURATED = 0.02
"""Share of saturated pixels that makes a sky a lower limit."""


class Teller:
    """Collects readings, what is missing, and notes."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.missing: list[Missing] = []
        self.notes: list[str] = []

    def read(
        self, name: str, value: float, error: float, unit: str, digits: int, remark: str = ""
    ) -> None:
        """Add a number; one that is NaN is missing, for the reason in the remark."""
        self.readings.append(Reading(name, value, error, unit, digits, remark))
        if not np.isfinite(value):
            self.missing.append(Missing(name, remark))

    def grouped(self) -> tuple[Missing, ...]:
        """What is missing, with one reason a row."""
        reasons: dict[str, list[str]] = {}
        for row in self.missing:
            reasons.setdefault(row.why, []).append(row.what)
        return tuple(Missing(", ".join(names), why) for why, names in reasons.items())


@dataclass(frozen=True)
class Measured:
    """What the numbers are taken from.

    Parameters
    ----------
    blocks : dict of str to ndarray
        As in `pipeline.glance.Glance`.
    focus : Trend or None
    curve : ZeroPointCurve or None
    result : FitResult or None
        Of the geometry.
    dimming_of : str
        What the dimming compares.
    """

    blocks: dict[str, NDArray[Any]]
    focus: Trend | None
    curve: ZeroPointCurve | None
    result: FitResult | None
    dimming_of: str

    def known(self, name: str) -> NDArray[np.float64]:
        """Finite values of a column of the blocks."""
        values = np.asarray(self.blocks[name], dtype=float)
        return values[np.isfinite(values)]

    def typical(self, name: str) -> float:
        """Median over the blocks; NaN where there is none."""
        values = self.known(name)
        return float(np.median(values)) if values.size else np.nan


def read_numbers(
    tell: Teller,
    strip: Strip,
    found: Measured,
    *,
    no_stars: str,
    no_geometry: str,
    pixel_scale: float,
) -> None:
    """Add the numbers that come first.

    Quantities that change along the strip are given as the median of the blocks, with the error
    of a typical block, and their range.

    Parameters
    ----------
    tell : Teller
        Receives them.
    strip : Strip
    found : Measured
    no_stars, no_geometry : str
        Why there are none, in case.
    pixel_scale : float
        Arcsec.
    """

    def course(name: str, column: str, unit: str, digits: int, why: str, remark: str = "") -> None:
        value = found.typical(column)
        if not np.isfinite(value):
            tell.read(name, np.nan, np.nan, unit, digits, why)
            return
        values, error = found.known(column), column + "_err"
        span = f"{values.min():.{digits}f} to {values.max():.{digits}f} along the strip"
        tell.read(
            name, value, found.typical(error) if error in found.blocks else np.nan, unit, digits,
            "; ".join(filter(None, (span, remark))),
        )  # fmt: skip

    remark = ""
    if found.typical("saturated") > SATURATED:
        remark = "a lower limit: saturated"
    elif strip.n_lines <= strip.n_stage:
        remark = "of lines that did not integrate on all rows"
    course("sky", "sky", "electron/px", 1, "no line with data", remark)
    curve, result = found.curve, found.result
    if curve is not None:
        sky = max(found.typical("sky"), 1e-9) / pixel_scale**2
        bright = curve.clear_level - 2.5 * float(np.log10(sky))
        tell.read("sky brightness", bright, np.nan, "mag/arcsec²", 2, "at the median sky")
    course("FWHM of stars", "fwhm", "arcsec", 2, no_stars)
    taken = (
        "clocking and pixel taken off, the sharper axis"
        if result is None
        else "smear, clocking and pixel taken off"
    )
    course("seeing", "seeing", "arcsec", 2, no_stars, taken)
    course("elongation", "elongation", "", 3, no_stars)
    course("bright stars a block", "n_stars", "", 0, no_stars)
    _read_dimming(tell, found, no_stars)
    share = {name: 100 * float(np.mean(found.blocks[name])) for name in ("saturated", "masked")}
    tell.read("saturated pixels", share["saturated"], np.nan, "%", 4)
    tell.read(
        "masked pixels", share["masked"], np.nan, "%", 2,
        "lost lines, dead, hot and noisy columns",
    )  # fmt: skip
    if (focus := found.focus) is not None:
        remark = f"seeing against time, {focus.n} blocks"
        tell.read("focus trend", focus.slope, focus.error, "arcsec/h", 3, remark)
    else:
        some = found.known("seeing").size
        why = f"stars in {some} blocks, four are needed" if some else no_stars
        tell.read("focus trend", np.nan, np.nan, "arcsec/h", 3, why)
    if result is None:
        tell.read("line period, advised", np.nan, np.nan, "s", 7, no_geometry)
        tell.read("rotation of the camera", np.nan, np.nan, "deg", 4, no_geometry)
    else:
        _read_geometry(tell, result)


def _read_dimming(tell: Teller, found: Measured, no_stars: str) -> None:
    dimming = np.asarray(found.blocks["dimming"], dtype=float)
    if not np.isfinite(dimming).any():
        few = found.known("seeing").size
        why = "too few stars for a comparison without a catalogue" if few else no_stars
        tell.read("most dimming", np.nan, np.nan, "mag", 3, why)
        return
    at = int(np.nanargmax(dimming))
    when = f"{found.dimming_of}, at {found.blocks['minutes'][at]:.1f} min"
    error = float(found.blocks["dimming_err"][at])
    tell.read("most dimming", float(dimming[at]), error, "mag", 3, when)
    if (curve := found.curve) is not None:
        used = f"{curve.n_stars} stars"
        tell.read("zero point, clear", curve.clear_level, np.nan, "mag", 3, used)


def _read_geometry(tell: Teller, result: FitResult) -> None:
    a = result.advice
    change = f"{100 * a.line_period_change.value:+.4f} % from now"
    tell.read("line period, advised", a.line_period.value, a.line_period.error, "s", 7, change)
    tell.read("rotation of the camera", a.rotation_deg.value, a.rotation_deg.error, "deg", 4)
    for axis, now, new in (
        ("along", a.smear_line_now, a.smear_line_new),
        ("across", a.smear_column_now, a.smear_column_new),
    ):
        after = f"{new:.3f} px with all settings changed"
        tell.read(f"smear {axis} the scan now", now, np.nan, "px rms", 3, after)
    matched = f"{result.n_used} stars matched"
    tell.read("residual, line", result.rms_line, np.nan, "px rms", 3, matched)
    tell.read("residual, column", result.rms_column, np.nan, "px rms", 3)
