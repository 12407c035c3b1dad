"""Whether the second moments of stars follow what the geometry predicts, against column.

Stars are binned by column. The errors of the bins come from the scatter of the stars about their
bins, so they hold noise, neighbours and whatever else differs from star to star. The level of the
seeing is not the geometry's to predict: one constant, common to both axes, is fitted and taken off
first. What is left is compared by chi-square, panel by panel.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincc

from pipeline.constants import SIGMA_PER_MAD

__all__ = ["PANELS", "MomentCheck", "MomentCheckOptions", "MomentPanel", "check_moments"]

FloatArray = NDArray[np.float64]

PANELS = {"ll": "along the scan", "lc": "mixed", "cc": "across the scan"}
_CLIP = 4.0  # sigma of a star about its bin
_GROUPS = 4  # of signal-to-noise ratio, each with a scatter of its own
_FEWEST_IN_GROUP = 100


@dataclass(frozen=True)
class MomentCheckOptions:
    """How moments are compared.

    Parameters
    ----------
    n_bins : int
        Bins of columns.
    fewest : int
        Stars without which a bin is left out.
    fewest_bins : int
        Bins without which nothing is compared.
    false_alarm : float
        Chance that noise alone makes a strip disagree, all panels together; at most.
    allowance : float
        Share of a moment that the model image and its window may be wrong by; it is added to the
        error of each bin in quadrature.
    """

    n_bins: int = 16
    fewest: int = 4
    fewest_bins: int = 4
    false_alarm: float = 1e-3
    allowance: float = 0.01

    def __post_init__(self) -> None:
        if not 0 < self.false_alarm < 1:
            raise ValueError(f"false_alarm must lie between 0 and 1, got {self.false_alarm}")
        if not self.allowance >= 0:
            raise ValueError(f"allowance must not be negative, got {self.allowance}")


@dataclass(frozen=True)
class MomentPanel:
    """One second moment in bins of columns.

    Parameters
    ----------
    difference, noise, error : ndarray of shape (n_bins,)
        Measured minus predicted with the level of the seeing taken off, its standard error from
        the scatter of the stars, and that with the allowance, px^2; NaN in bins with too few stars.
    chi2 : float
        Of the bins.
    n : int
        Bins compared.
    chance : float
        Probability that noise alone gives as large a chi-square.
    """

    difference: FloatArray
    noise: FloatArray
    error: FloatArray
    chi2: float
    n: int
    chance: float


@dataclass(frozen=True)
class MomentCheck:
    """All three second moments of a strip.

    Parameters
    ----------
    column : ndarray of shape (n_bins,)
        Middles of the bins, px.
    n_stars : ndarray of int of shape (n_bins,)
    panels : dict of str to MomentPanel
        ``ll``, ``lc`` and ``cc``.
    level, level_err : float
        Constant by which both axes exceed the prediction, px^2.
    false_alarm : float
        Of the options.
    """

    column: FloatArray
    n_stars: NDArray[np.int64]
    panels: dict[str, MomentPanel]
    level: float
    level_err: float
    false_alarm: float

    @property
    def disagreeing(self) -> tuple[str, ...]:
        """Names of the panels that noise does not explain."""
        limit = self.false_alarm / len(self.panels)
        return tuple(name for name, panel in self.panels.items() if panel.chance < limit)

    def sentence(self) -> str:
        """The outcome in words."""
        chi2 = ", ".join(
            f"{PANELS[name]} {panel.chi2:.1f} for {panel.n} bins"
            for name, panel in self.panels.items()
        )
        stars = f"{int(self.n_stars.sum())} bright stars"
        wrong = self.disagreeing
        if not wrong:
            return f"The second moments of {stars} follow the fitted geometry (chi-square: {chi2})."
        parts = []
        for name in wrong:
            panel = self.panels[name]
            worst = int(np.nanargmax(np.abs(panel.difference / panel.error)))
            parts.append(
                f"{PANELS[name]} by up to {panel.difference[worst]:+.3f} +- "
                f"{panel.error[worst]:.3f} px2 at column {self.column[worst]:.0f}"
            )
        return (
            f"The second moments of {stars} do not follow the fitted geometry: "
            f"{'; '.join(parts)} (chi-square: {chi2}; noise alone would say so in one strip of "
            f"{1 / self.false_alarm:.0f}). Something other than the drift shapes the stars there "
            "(focus, optics, wind, charge transfer), or the geometry is wrong: look at the picture"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers for JSON."""
        return {
            "column": self.column,
            "n_stars": self.n_stars,
            "level": self.level,
            "level_err": self.level_err,
            "false_alarm": self.false_alarm,
            "disagreeing": list(self.disagreeing),
            "text": self.sentence(),
        } | {
            name: {
                "difference": panel.difference, "noise": panel.noise, "error": panel.error,
                "chi2": panel.chi2, "n_bins": panel.n, "chance": panel.chance,
            }
            for name, panel in self.panels.items()
        }  # fmt: skip


def _scatter(
    residual: FloatArray, where: NDArray[np.int64], snr: FloatArray, n_bins: int
) -> FloatArray:
    """Standard deviation of each star about its bin; NaN: clipped.

    Noise goes as the inverse of the signal-to-noise ratio; its size, and how far other causes of
    scatter break that rule, is measured in groups of that ratio.
    """
    off = np.full(residual.size, np.nan)
    free = np.zeros(residual.size)  # share of a star's variance that its bin's mean leaves
    for b in range(n_bins):
        inside = np.flatnonzero(where == b)
        if inside.size < 2:
            continue
        scale = 1.0 / snr[inside]
        middle = np.median(residual[inside])
        spread = SIGMA_PER_MAD * np.median(np.abs(residual[inside] - middle) / scale)
        near = inside[np.abs(residual[inside] - middle) <= 2 * _CLIP * spread * scale]
        weight = snr[near] ** 2
        mean = np.sum(weight * residual[near]) / np.sum(weight)
        off[near] = (residual[near] - mean) * snr[near]
        free[near] = 1.0 - weight / np.sum(weight)
    sigma = np.full(residual.size, np.nan)
    n_groups = max(1, min(_GROUPS, residual.size // _FEWEST_IN_GROUP))
    for group in np.array_split(np.argsort(snr), n_groups):
        known = group[np.isfinite(off[group])]
        if known.size < 2:
            continue
        robust = SIGMA_PER_MAD * float(np.median(np.abs(off[known])))
        good = known[np.abs(off[known]) <= _CLIP * robust]
        if np.sum(free[good]) > 0:
            sigma[good] = np.sqrt(np.sum(off[good] ** 2) / np.sum(free[good])) / snr[good]
    return sigma


def check_moments(
    column: ArrayLike,
    snr: ArrayLike,
    measured: dict[str, FloatArray],
    predicted: dict[str, FloatArray],
    *,
    n_columns: int,
    options: MomentCheckOptions,
) -> MomentCheck | None:
    """Compare measured with predicted moments in bins of columns.

    Parameters
    ----------
    column, snr : array_like of shape (n,)
        Columns and signal-to-noise ratios of bright, single, unsaturated stars.
    measured, predicted : dict of str to ndarray of shape (n,)
        ``ll``, ``lc`` and ``cc`` of each star, px^2, measured and predicted alike.
    n_columns : int
        Of the chip.
    options : MomentCheckOptions
        Tuning.

    Returns
    -------
    MomentCheck or None
        None where too few bins hold enough stars.
    """
    x, strength = np.asarray(column, float), np.asarray(snr, float)
    known = np.isfinite(x) & np.isfinite(strength)
    for name in PANELS:
        known &= np.isfinite(measured[name]) & np.isfinite(predicted[name])
    x, strength = x[known], strength[known]
    edges = np.linspace(-0.5, n_columns - 0.5, options.n_bins + 1)
    where = np.clip(np.searchsorted(edges, x, side="right") - 1, 0, options.n_bins - 1)
    count = np.bincount(where, minlength=options.n_bins)
    full = count >= options.fewest
    if np.count_nonzero(full) < options.fewest_bins:
        return None
    values, noises, errors = {}, {}, {}
    for name in PANELS:
        residual = (measured[name] - predicted[name])[known]
        sigma = _scatter(residual, where, strength, options.n_bins)
        good = np.isfinite(sigma) & (sigma > 0)
        weight = np.where(good, 1.0 / np.where(good, sigma, 1.0) ** 2, 0.0)
        total = np.bincount(where, weight, options.n_bins)
        use = full & (total > 0)
        safe = np.where(use, total, 1.0)
        mean = np.bincount(where, weight * np.where(good, residual, 0.0), options.n_bins) / safe
        size = predicted[name] if name != "lc" else np.sqrt(predicted["ll"] * predicted["cc"])
        typical = np.bincount(where, np.abs(size[known]), options.n_bins) / np.maximum(count, 1)
        values[name] = np.where(use, mean, np.nan)
        noises[name] = np.where(use, 1.0 / np.sqrt(safe), np.nan)
        errors[name] = np.hypot(noises[name], options.allowance * typical)
    both = np.concatenate([values["ll"], values["cc"]])
    weight = np.concatenate([errors["ll"], errors["cc"]]) ** -2.0
    level = float(np.nansum(weight * both) / np.nansum(weight))
    panels = {}
    for name in PANELS:
        difference = values[name] - (level if name != "lc" else 0.0)
        n = int(np.count_nonzero(np.isfinite(difference)))
        chi2 = float(np.nansum((difference / errors[name]) ** 2))
        panels[name] = MomentPanel(
            difference, noises[name], errors[name], chi2, n, float(gammaincc(0.5 * n, 0.5 * chi2))
        )
    return MomentCheck(
        column=0.5 * (edges[:-1] + edges[1:]), n_stars=count.astype(np.int64), panels=panels,
        level=level, level_err=float(1.0 / np.sqrt(np.nansum(weight))),
        false_alarm=options.false_alarm,
    )  # fmt: skip
