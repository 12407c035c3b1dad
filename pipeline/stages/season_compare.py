"""Changes of the column response: some nights compared with others.

The response of each night is measured on its own. Two groups of nights are compared by the
relative difference of their mean responses. What no sky can tell from other causes is left free in
the comparison and never counts as a change: a common factor (throughput), a slope across the chip
(a gradient of the sky), and patterns of additive light found on any of the nights.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2 as chi2_distribution
from scipy.stats import ncx2, norm

from pipeline.constants import SIGMA_PER_MAD
from pipeline.stages.response import ResponseVector

__all__ = [
    "LEAST_COLUMNS",
    "Change",
    "ChangeOptions",
    "Difference",
    "NightResponse",
    "SeasonArrays",
    "compare_arrays",
    "compare_groups",
    "fit_robustly",
    "make_nuisance",
]

_F = NDArray[np.float64]
LEAST_COLUMNS = 8  # good columns per smooth mode
_ALIVE = 0.3  # share of a later response below which a column counts as not alive before


@dataclass(frozen=True)
class ChangeOptions:
    """What counts as a change of response.

    Parameters
    ----------
    false_alarms : float
        Changes expected by chance in a season whose response never changes; shared evenly between
        the smooth and the local test, and there among all that is tested.
    modes : int
        Smooth patterns across the chip (cosines) that are tested together.
    widths : tuple of int
        Runs of columns that are tested for a local change.
    least : float
        A smaller relative change, mean over a run of columns, is left alone: it matters to no
        magnitude, and many nights together would find any imperfection of the model.
    least_smooth : float
        The same for the rms of a smooth change. Additive light that follows the sky, of some
        tenths of a per cent, is part of a night's response (`fit_response`) and moves it by up to
        about this much, smoothly; no sky tells one from the other.
    tilt : float
        A slope across the chip against the other nights (middle to edge, relative) beyond this is
        reported; it never counts as a change.
    light_limit : float
        Additive light below this strength, relative to noise, goes unseen in a night
        (`ResponseOptions.scattered_limit`).
    outlier : float
        A night's column further than this many sigma from the others of its interval is left out
        of their mean.
    unseen_light : float
        Additive light that may be in a response, rms over the columns, relative to what the night's
        sky has more than that of the darkest night.
    """

    false_alarms: float = 0.01
    modes: int = 12
    widths: tuple[int, ...] = (1, 2, 4, 8, 16)
    least: float = 5e-4
    least_smooth: float = 1e-3
    tilt: float = 1e-3
    light_limit: float = 1.25
    outlier: float = 5.0
    unseen_light: float = 0.005

    def __post_init__(self) -> None:
        if not 0 < self.false_alarms < 1:
            msg = f"season false_alarms must lie within 0..1, received {self.false_alarms}"
            raise ValueError(msg)
        if self.modes < 1:
            msg = f"season modes must be at least 1, received {self.modes}"
            raise ValueError(msg)
        if not self.widths or any(w < 1 for w in self.widths):
            msg = f"season widths must be positive and at least one, received {self.widths}"
            raise ValueError(msg)
        for name in ("least", "least_smooth", "tilt"):
            if not getattr(self, name) >= 0:
                msg = f"season {name} must not be negative, received {getattr(self, name)}"
                raise ValueError(msg)
        if not self.light_limit >= 1:
            msg = f"season light_limit must be at least 1, received {self.light_limit}"
            raise ValueError(msg)
        if not self.unseen_light >= 0:
            msg = f"season unseen_light must not be negative, received {self.unseen_light}"
            raise ValueError(msg)
        if not self.outlier > 0:
            msg = f"season outlier must be positive, received {self.outlier}"
            raise ValueError(msg)


@dataclass(frozen=True)
class NightResponse:
    """Response of one night.

    Parameters
    ----------
    night : str
        YYYY-MM-DD.
    response : ResponseVector
    excluded : ndarray of bool of shape (n_columns,)
        Columns that can show no change: hot, noisy, non-linear.
    gradient : ndarray of shape (n_bins,)
        Of the sky under that response (`fit_intercepts`); empty where not known.
    """

    night: str
    response: ResponseVector
    excluded: NDArray[np.bool_]
    gradient: _F = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class Change:
    """A run of columns whose response changed.

    Parameters
    ----------
    columns : tuple of int
        First and last.
    amount, error : float
        Relative.
    """

    columns: tuple[int, int]
    amount: float
    error: float


@dataclass(frozen=True)
class Difference:
    """Two groups of nights compared.

    Parameters
    ----------
    smooth : ndarray of shape (n_columns,)
        Relative change that runs smoothly across the chip.
    smooth_rms : float
    smooth_chance : float
        Probability of as large a smooth difference without a change.
    local : tuple of Change
        Significant ones, the strongest of every run of columns.
    local_chance : float
        Probability, at most, of the strongest local difference anywhere without a change.
    tilt, tilt_err : float
        Relative difference from the middle to the edge of the chip that goes to the sky.
    ratio : float
        Chi-square of the smooth difference over its median without a change.
    changed : bool
    """

    smooth: _F
    smooth_rms: float
    smooth_chance: float
    local: tuple[Change, ...]
    local_chance: float
    tilt: float
    tilt_err: float
    ratio: float
    changed: bool

    @property
    def chance(self) -> float:
        """Probability, at most, of the difference without a change."""
        return min(1.0, 2.0 * min(self.smooth_chance, self.local_chance))

    def describe(self) -> str:
        """What changed, in words."""
        found = []
        if self.smooth_rms > 0:
            found.append(f"smooth change of {100 * self.smooth_rms:.2f} % rms across the chip")
        if self.local:
            strongest = sorted(self.local, key=lambda c: -abs(c.amount / c.error))[:5]
            runs = ", ".join(
                f"columns {c.columns[0]}-{c.columns[1]} by {100 * c.amount:+.2f} %"
                for c in strongest
            )
            more = len(self.local) - len(strongest)
            found.append(f"local change: {runs}" + (f" and {more} more" if more else ""))
        return "; ".join(found) or "no change"


class SeasonArrays:
    """Arrays of all nights, for quick means of any group.

    Parameters
    ----------
    nights : sequence of NightResponse
    """

    def __init__(self, nights: Sequence[NightResponse]) -> None:
        self.nights = nights
        n_columns = nights[0].response.n_columns
        self.x = np.linspace(-1.0, 1.0, n_columns)
        value = np.array([n.response.value for n in nights])
        error = np.array([n.response.error for n in nights])
        known = np.isfinite(value) & np.isfinite(error) & (error > 0)
        known &= ~np.array([n.excluded for n in nights])
        dead = np.array([n.response.mask for n in nights])
        # Scale: the median over good columns, so that dust or a dead column moves nothing.
        for number, use in enumerate(known & ~dead):
            if use.any():
                value[number] /= np.median(value[number][use])
        self.value = value
        self.weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
        self.dead = dead
        patterns = [n.response.scattered for n in nights if n.response.scattered.any()]
        self.light = np.array(patterns) if patterns else np.zeros((0, n_columns))
        self.n_bins = np.array([n.response.n_bins for n in nights])
        self.excess = 1.0  # by which smooth differences of nights exceed what errors allow

    def mean(self, members: Sequence[int]) -> tuple[_F, _F, NDArray[np.bool_]]:
        """Mean response of nights, its variance (infinite: unknown), and where all are dead."""
        index = list(members)
        weight = self.weight[index]
        total = weight.sum(axis=0)
        safe = np.where(total > 0, total, 1.0)
        value = (weight * self.value[index]).sum(axis=0) / safe
        dead = np.asarray(self.dead[index].all(axis=0))
        return value, np.where(total > 0, 1.0 / safe, np.inf), dead


def make_nuisance(x: _F, light: _F, use: NDArray[np.bool_]) -> _F:
    """Constant, slope, and independent patterns of additive light: what counts as no change.

    Parameters
    ----------
    x : ndarray of shape (n_columns,)
        -1 to 1 across the chip.
    light : ndarray of shape (n_nights, n_columns)
        Patterns of the nights that have such light.
    use : ndarray of bool of shape (n_columns,)
        Columns on which the patterns are made independent.

    Returns
    -------
    ndarray of shape (n_columns, n)
    """
    columns = [np.ones_like(x), x]
    if len(light):
        basis = np.stack(columns, axis=1)
        rest = light.T - basis @ np.linalg.lstsq(basis[use], light.T[use], rcond=None)[0]
        left, size, _ = np.linalg.svd(rest, full_matrices=False)
        # Patterns of several nights are one and the same with noise: its main shapes are enough.
        keep = size > 0.3 * size[0] if size[0] > 0 else np.zeros(len(size), dtype=bool)
        columns += list(left[:, keep][:, :3].T)
    return np.stack(columns, axis=1)


def _hidden_light(n_bins: int, intervals: int, limit: float) -> float:
    """Bias of a response by additive light too weak to be seen in its night, sigma.

    Residuals of ``n_bins`` by ``intervals`` unit Gaussians have a leading singular value of about
    ``sqrt(n_bins) + sqrt(intervals)``; light of strength S raises it to the root of the sum of
    squares and is looked for above `limit` times noise. All of S may fall on the response, and on
    every night of a group alike, whose bins are then counted together.
    """
    noise = np.sqrt(max(n_bins, 1)) + np.sqrt(intervals)
    return float(noise * np.sqrt(max(limit**2 - 1.0, 0.0)))


def compare_groups(
    nights: Sequence[NightResponse],
    before: Sequence[int],
    after: Sequence[int],
    *,
    n_compared: int,
    options: ChangeOptions,
) -> Difference:
    """Compare the mean responses of two groups of nights.

    The relative difference of every column is fitted by what must not count (a factor, a slope,
    known patterns of additive light) and by ``modes`` cosines across the chip, robustly. The
    cosines' chi-square tells a smooth change: without one it follows a noncentral chi-square of as
    many degrees of freedom, whose noncentrality is what unseen additive light can do (in a season,
    `find_intervals` also scales it by what consecutive nights show). What is left
    tells local changes: means over runs of columns, each a Gaussian of unit spread; the spread is
    measured too and never taken below 1, so that halos of stars, which neighbours share, raise it.

    The limit on a probability is ``false_alarms / 2`` over all ``n_compared`` comparisons (and
    for runs, over all runs): by the union bound, at most ``false_alarms`` changes are found by
    chance in a season.

    Parameters
    ----------
    nights : sequence of NightResponse
    before, after : sequence of int
        Positions in `nights`.
    n_compared : int
        Comparisons made in the season.
    options : ChangeOptions

    Returns
    -------
    Difference

    Raises
    ------
    ValueError
        If a group is empty.
    """
    if len(before) == 0 or len(after) == 0:
        msg = f"groups must hold a night each, received {len(before)} and {len(after)}"
        raise ValueError(msg)
    return compare_arrays(SeasonArrays(nights), before, after, n_compared, options)


def compare_arrays(
    season: SeasonArrays,
    before: Sequence[int],
    after: Sequence[int],
    n_compared: int,
    options: ChangeOptions,
) -> Difference:
    """As `compare_groups`, for nights put together once."""
    a, va, dead_a = season.mean(before)
    b, vb, dead_b = season.mean(after)
    x = season.x
    n_columns = len(x)
    # Over the earlier response a gradient of the sky is a straight line exactly, however steep;
    # a column that comes to life is referred to what it becomes.
    base = np.maximum(np.abs(a), _ALIVE * np.abs(b))
    use = np.isfinite(va + vb) & (base > 0) & ~(dead_a & dead_b)
    nothing = Difference(
        np.zeros(n_columns), 0.0, 1.0, (), 1.0, 0.0, np.inf, ratio=0.0, changed=False
    )  # fmt: skip
    modes = min(options.modes, int(use.sum()) // LEAST_COLUMNS)
    if modes < 1:
        return nothing
    safe = np.where(use, base, 1.0)
    u = np.where(use, (b - a) / safe, 0.0)
    known_a, known_b = np.where(use, va, 1.0), np.where(use, vb, 1.0)
    variance = (known_a * (b / safe) ** 2 + known_b) / safe**2
    weight = np.where(use, 1.0 / variance, 0.0)
    free = make_nuisance(x, season.light, use)
    order = np.arange(2, modes + 2)
    cosines = np.cos(0.5 * np.pi * order * (x[:, None] + 1.0))
    design = np.concatenate([free, cosines], axis=1)
    fit, spread, robust = fit_robustly(design, u, weight)
    plain = _solve(free, u, robust)
    chi2 = float((robust * ((u - free @ plain) ** 2 - (u - design @ fit) ** 2)).sum())
    chi2 = max(chi2, 0.0) / spread**2
    limit = 0.5 * options.false_alarms / n_compared
    bins = int(min(season.n_bins[list(before)].sum(), season.n_bins[list(after)].sum()))
    hidden = _hidden_light(bins, modes, options.light_limit)
    # The median of a chi-square lies 2/3 below its mean, nearly (Wilson and Hilferty 1931).
    typical = modes + hidden**2 - 2.0 / 3.0
    scaled = chi2 / season.excess
    smooth_chance = float(
        ncx2.sf(scaled, modes, hidden**2) if hidden > 0 else chi2_distribution.sf(scaled, modes)
    )
    shape = cosines @ fit[free.shape[1] :]
    shape = shape - free @ _solve(free, shape, weight)
    rms = float(np.sqrt(np.average(shape**2, weights=weight)))
    smooth = smooth_chance < limit and rms > options.least_smooth
    normal = design.T @ (robust[:, None] * design)
    tilt_err = spread * float(np.sqrt(max(np.linalg.pinv(normal)[1, 1], 0.0)))
    local, local_chance = _find_local(u - design @ fit, weight, limit, options)
    return Difference(
        shape if smooth else np.zeros(n_columns), rms if smooth else 0.0,
        min(1.0, smooth_chance * n_compared), local, min(1.0, local_chance * n_compared),
        float(fit[1]), tilt_err, ratio=chi2 / typical, changed=bool(smooth or local),
    )  # fmt: skip


def _solve(design: _F, y: _F, weight: _F) -> _F:
    """Weighted least squares; of patterns that are alike, the smallest solution."""
    weighted = design * weight[:, None]
    size = np.sqrt(np.einsum("ij,ij->j", weighted, design))
    size = np.where(size > 0, size, 1.0)
    normal = (design.T @ weighted) / np.outer(size, size)
    return np.asarray(np.linalg.pinv(normal, rcond=1e-10) @ ((weighted.T @ y) / size) / size)


def fit_robustly(design: _F, u: _F, weight: _F) -> tuple[_F, float, _F]:
    """Least squares without columns that stand out.

    Parameters
    ----------
    design : ndarray of shape (n_columns, n_unknowns)
        Its first column is a constant.
    u, weight : ndarray of shape (n_columns,)
        Values and inverse variances.

    Returns
    -------
    fit : ndarray of shape (n_unknowns,)
    spread : float
        Of the residuals in sigma, at least 1.
    robust : ndarray of shape (n_columns,)
        Weights that took part.
    """
    use = weight > 0
    robust = weight
    # A first fit from the median upwards: dust over a tenth of the chip must not bend it.
    fit = np.zeros(design.shape[1])
    fit[0] = np.median(u[use])
    spread = 1.0
    for turn in range(12):
        pull = (u - design @ fit) * np.sqrt(weight)
        spread = max(1.0, SIGMA_PER_MAD * float(np.median(np.abs(pull[use]))))
        size = np.abs(pull) / spread
        share = 2.0 / np.maximum(size, 2.0)
        robust = weight * np.where((size > 4.0) & (turn > 5), 0.0, share)
        fit = _solve(design, u, robust)
    return fit, spread, robust


def _find_local(
    rest: _F, weight: _F, limit: float, options: ChangeOptions
) -> tuple[tuple[Change, ...], float]:
    """Runs of columns that stand out, and the chance of the strongest."""
    n_columns = len(rest)
    runs: list[tuple[_F, _F, int]] = []
    number = 0
    for width in options.widths:
        if width > n_columns // 4:
            continue
        kernel = np.ones(width)
        total = np.convolve(weight, kernel, mode="valid")
        mean = np.convolve(weight * rest, kernel, mode="valid")
        known = total > 0
        error = np.where(known, 1.0 / np.sqrt(np.where(known, total, 1.0)), np.inf)
        mean = np.where(known, mean, 0.0) * np.where(known, error, 0.0) ** 2
        pull = np.abs(np.where(known, mean / error, 0.0))
        spread = SIGMA_PER_MAD * float(np.median(pull[known])) if known.any() else 1.0
        runs.append((mean, error * max(1.0, spread), width))
        number += int(known.sum())
    if number == 0:
        return (), 1.0
    single = limit / number
    least = 1.0
    hits: list[tuple[float, int, int, float, float]] = []
    for mean, error, width in runs:
        pull = np.abs(mean) / error
        chance = 2.0 * norm.sf(pull)
        least = min(least, float(chance.min()))
        strong = np.flatnonzero((chance < single) & (np.abs(mean) > options.least))
        hits += [(float(pull[k]), int(k), width, float(mean[k]), float(error[k])) for k in strong]
    chosen: list[Change] = []
    taken = np.zeros(n_columns, dtype=bool)
    for _, first, width, mean_of, error_of in sorted(hits, reverse=True):
        if not taken[first : first + width].any():
            chosen.append(Change((first, first + width - 1), mean_of, error_of))
            taken[first : first + width] = True
    return _join(chosen), min(1.0, least * number)


def _join(chosen: list[Change]) -> tuple[Change, ...]:
    """Runs that touch and go the same way as one, with the amount of the strongest."""
    joined: list[Change] = []
    for change in sorted(chosen, key=lambda c: c.columns):
        last = joined[-1] if joined else None
        if (
            last is not None
            and last.columns[1] + 1 == change.columns[0]
            and last.amount * change.amount > 0
        ):
            strong = max(last, change, key=lambda c: abs(c.amount / c.error))
            columns = (last.columns[0], change.columns[1])
            joined[-1] = replace(strong, columns=columns)
        else:
            joined.append(change)
    return tuple(joined)
