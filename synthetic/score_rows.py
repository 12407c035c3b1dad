"""Rows of the score table, and the robust statistics they are made of."""

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Row",
    "clipped_mean",
    "clipped_rms",
    "judge",
    "judge_absent",
    "judge_unmeasurable",
    "robust_spread",
]

FloatArray = NDArray[np.float64]

# One-sided tail of a Gaussian beyond one standard deviation, in per cent.
_TAIL = 15.8655
# Mean absolute deviation from the median to standard deviation (Gaussian): 1 / 0.67449.
_MAD_TO_SIGMA = 1.482602


@dataclass(frozen=True)
class Row:
    """One figure of the score.

    Attributes
    ----------
    figure : str
        What is measured.
    value : float or None
        Measured value in `unit`; None where there is none.
    target : str
        The rule that the value has to meet.
    ok : bool or None
        True when met, False when it falls short, None when it could not be measured, or
        not well enough to decide.
    n : int
        Number of objects (stars, columns, strips) behind the value.
    unit : str
        Unit of the value; empty for a plain ratio.
    note : str
        Reason for the verdict, uncertainties, worst strip.
    """

    figure: str
    value: float | None
    target: str
    ok: bool | None
    n: int = 0
    unit: str = ""
    note: str = ""

    @property
    def verdict(self) -> str:
        """The verdict in words."""
        if self.ok is None:
            return "not measured"
        return "ok" if self.ok else "falls short"

    def to_dict(self) -> dict[str, Any]:
        """Plain types, ready for JSON."""
        return asdict(self)


def _describe_target(low: float | None, high: float, *, strict: bool) -> str:
    if low is None:
        return f"{'<' if strict else '<='} {high:g}"
    if low == -high:
        return f"within +-{high:g}"
    return f"{low:g} to {high:g}"


def judge(
    figure: str,
    value: float,
    *,
    high: float,
    n: int,
    low: float | None = None,
    strict: bool = False,
    unit: str = "",
    error: float | None = None,
    tolerance: float | None = None,
    notes: Iterable[str] = (),
    failures: Iterable[str] = (),
) -> Row:
    """Compare a measured value with its target.

    Parameters
    ----------
    figure : str
        Name of the figure.
    value : float
        Measured value; a value that is not finite falls short.
    high, low : float
        The limits; without `low` there is an upper limit only.
    n : int
        Number of objects behind the value.
    strict : bool
        Whether the upper limit itself is outside (``<`` instead of ``<=``).
    unit : str
        Unit of value and limits.
    error : float or None
        Standard error of the value. Where it is above half of `tolerance` and the value is not
        outside the limits by more than two errors, the scenario has too few objects to decide:
        the value stands, the verdict is "not measured".
    tolerance : float or None
        Room for deviation that the limits leave; `high` by default.
    notes, failures : iterable of str
        Remarks, and reasons for which the row falls short whatever its value (a missing
        product, for example). Empty strings are dropped.

    Returns
    -------
    Row
    """
    reasons = [text for text in failures if text]
    remarks = [text for text in notes if text]
    finite = math.isfinite(value)
    if not finite:
        reasons.append("the products hold no finite value here")
    inside = finite and (value < high if strict else value <= high)
    if low is not None:
        inside = inside and value >= low
    room = high if tolerance is None else tolerance
    undecided = False
    if error is not None and finite:
        remarks.insert(0, f"+- {error:.2g}")
        beyond = max(value - high, 0.0 if low is None else low - value)
        undecided = not reasons and not error <= room / 2.0 and beyond <= 2.0 * error
    if undecided:
        remarks.insert(0, "too few objects: the error is above half the target")
    return Row(
        figure=figure,
        value=float(value) if finite else None,
        target=_describe_target(low, high, strict=strict),
        ok=None if undecided else bool(inside and not reasons),
        n=int(n),
        unit=unit,
        note="; ".join(reasons + remarks),
    )


def judge_absent(
    figure: str,
    reason: str,
    *,
    high: float,
    low: float | None = None,
    strict: bool = False,
    unit: str = "",
) -> Row:
    """Row of a figure whose product is missing: it falls short."""
    target = _describe_target(low, high, strict=strict)
    return Row(figure, None, target, ok=False, unit=unit, note=reason)


def judge_unmeasurable(
    figure: str,
    reason: str,
    *,
    high: float,
    low: float | None = None,
    strict: bool = False,
    unit: str = "",
    n: int = 0,
) -> Row:
    """Row of a figure that this scenario cannot decide, however good the products are."""
    target = _describe_target(low, high, strict=strict)
    return Row(figure, None, target, ok=None, n=n, unit=unit, note=reason)


def robust_spread(values: FloatArray) -> float:
    """Half the distance between the 16 and 84 per cent points.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Values that are not finite are left out.

    Returns
    -------
    float
        Equal to the standard deviation for a Gaussian; NaN for fewer than two values.
    """
    kept = values[np.isfinite(values)]
    if kept.size < 2:
        return math.nan
    low, high = np.percentile(kept, [_TAIL, 100.0 - _TAIL])
    return float(high - low) / 2.0


def clipped_rms(values: FloatArray, *, n_sigma: float, allowed: float) -> tuple[float, float]:
    """Root mean square about zero without the few outliers that are allowed.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Values that are not finite are left out.
    n_sigma : float
        Values further than this many robust standard deviations from the median are outliers.
    allowed : float
        Largest share of outliers that may be left out; with more, all values count.

    Returns
    -------
    rms : float
        NaN when there is no finite value.
    share : float
        Share of outliers found.
    """
    kept = values[np.isfinite(values)]
    if kept.size == 0:
        return math.nan, 0.0
    centre = np.median(kept)
    sigma = _MAD_TO_SIGMA * np.median(np.abs(kept - centre))
    outlier = np.abs(kept - centre) > n_sigma * sigma if sigma > 0 else kept != centre
    share = float(np.mean(outlier))
    if share <= allowed:
        kept = kept[~outlier]
    return float(np.sqrt(np.mean(kept**2))), share


def clipped_mean(values: FloatArray, weights: FloatArray, *, n_sigma: float) -> tuple[float, float]:
    """Weighted mean of the values within `n_sigma` robust spreads, and its standard error.

    Parameters
    ----------
    values, weights : ndarray of shape (n,)
        Weights are inverse variances up to a factor: the error follows from the scatter.
    n_sigma : float
        Clip in units of the scatter of ``(value - median) * sqrt(weight)``.

    Returns
    -------
    mean, error : float
        NaN for fewer than three values.
    """
    good = np.isfinite(values) & np.isfinite(weights) & (weights > 0)
    kept, weight = values[good], weights[good]
    if kept.size < 3:
        return math.nan, math.nan
    scaled = (kept - np.median(kept)) * np.sqrt(weight)
    spread = _MAD_TO_SIGMA * np.median(np.abs(scaled))
    if spread > 0:
        inside = np.abs(scaled) <= n_sigma * spread
        kept, weight = kept[inside], weight[inside]
    mean = float(np.sum(weight * kept) / np.sum(weight))
    chi2 = float(np.sum(weight * (kept - mean) ** 2) / max(kept.size - 1, 1))
    return mean, math.sqrt(chi2 / float(np.sum(weight)))
