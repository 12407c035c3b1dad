"""A season of nights: intervals of validity of the column response, and combined vectors."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.constants import SIGMA_PER_MAD
from pipeline.stages.response import ResponseVector, combine_responses
from pipeline.stages.season_compare import (
    LEAST_COLUMNS,
    ChangeOptions,
    Difference,
    NightResponse,
    SeasonArrays,
    compare_arrays,
    fit_robustly,
)
from pipeline.stages.season_cut import scatter_within
from pipeline.stages.season_smooth import combine_smooth

__all__ = ["Interval", "combine_nights", "find_intervals"]

_LEAST_PAIRS = 5  # of nights, without which their median says little of nights without a change


@dataclass(frozen=True)
class Interval:
    """Consecutive nights with one response.

    Parameters
    ----------
    first, stop : int
        Half-open range of nights, in the order given.
    members : tuple of int
        Nights whose mean it takes: its own, and those of an equal interval on the other side of
        a single night that stands apart.
    change : Difference or None
        Against the interval before; None for the first.
    """

    first: int
    stop: int
    members: tuple[int, ...]
    change: Difference | None


def find_intervals(
    nights: Sequence[NightResponse], *, options: ChangeOptions
) -> tuple[Interval, ...]:
    """Cut a season where the response changes.

    Of the places where the nights before and after differ significantly, the whole season is split
    where the nights scatter least about the means of both parts (`scatter_within`); both parts are
    split again, until no split is significant. Every cut is then moved to where it divides its two
    neighbours best, and dropped if these no longer differ. In seasons of more than
    five nights, the smooth differences of consecutive nights say by how much an unchanged response
    seems to move (light that follows the sky), which raises the limit.

    Parameters
    ----------
    nights : sequence of NightResponse
        In order of time, of one chip and filter.
    options : ChangeOptions

    Returns
    -------
    tuple of Interval

    Raises
    ------
    ValueError
        If there is no night, or columns differ in number.
    """
    if len(nights) == 0:
        msg = "nights must hold at least one NightResponse, received none"
        raise ValueError(msg)
    if len({n.response.n_columns for n in nights}) > 1:
        msg = f"nights must share their columns, received {[n.response.n_columns for n in nights]}"
        raise ValueError(msg)
    season = SeasonArrays(nights)
    total = len(nights)
    n_compared = max(total - 1, 1)

    if total > _LEAST_PAIRS:
        pairs = [
            compare_arrays(season, [k], [k + 1], n_compared, options).ratio
            for k in range(total - 1)
        ]
        # Changes are rarer than nights, so the median pair has none.
        season.excess = max(1.0, float(np.median(pairs)))

    def compare(first: int, cut: int, stop: int) -> Difference:
        return compare_arrays(season, range(first, cut), range(cut, stop), n_compared, options)

    def best(first: int, stop: int) -> tuple[int, Difference] | None:
        every = [(cut, compare(first, cut, stop)) for cut in range(first + 1, stop)]
        found = [(cut, d) for cut, d in every if d.changed]
        if not found:
            return None
        scatter = scatter_within(season, first, stop)
        return min(found, key=lambda item: scatter[item[0] - first - 1])

    cuts: list[int] = []
    parts = [(0, total)]
    while parts:
        first, stop = parts.pop()
        chosen = best(first, stop)
        if chosen is not None:
            cuts.append(chosen[0])
            parts += [(first, chosen[0]), (chosen[0], stop)]
    cuts.sort()
    for _ in range(total):
        edges = [0, *cuts, total]
        moved = []
        for number in range(len(cuts)):
            chosen = best(edges[number], edges[number + 2])
            if chosen is not None:
                edges[number + 1] = chosen[0]
                moved.append(chosen[0])
        moved = sorted(set(moved))
        if moved == cuts:
            break
        cuts = moved
    edges = [0, *cuts, total]
    ranges = [(edges[i], edges[i + 1]) for i in range(len(edges) - 1)]
    members = [list(range(*r)) for r in ranges]
    for number in range(1, len(ranges) - 1):
        if ranges[number][1] - ranges[number][0] != 1:
            continue
        left, right = range(*ranges[number - 1]), range(*ranges[number + 1])
        if not compare_arrays(season, left, right, n_compared, options).changed:
            both = sorted({*members[number - 1], *members[number + 1], *left, *right})
            members[number - 1] = members[number + 1] = both
    return tuple(
        Interval(
            first, stop, tuple(members[number]),
            None if number == 0 else compare(ranges[number - 1][0], first, stop),
        )
        for number, (first, stop) in enumerate(ranges)
    )  # fmt: skip


def combine_nights(
    nights: Sequence[NightResponse], *, options: ChangeOptions
) -> tuple[ResponseVector, tuple[str, ...]]:
    """Mean response of the nights of an interval, weighted by inverse variance.

    Slopes across the chip, which gradients of the sky can feign, are brought to a common one
    first: that under which the median gradient of the sky, over the bins of all nights, is zero.
    In three nights or more, a column that stands apart on one of them is left out there. Smooth
    patterns across the chip are those of the darkest nights (`combine_smooth`).

    Parameters
    ----------
    nights : sequence of NightResponse
        Of one interval of validity.
    options : ChangeOptions

    Returns
    -------
    ResponseVector
        See `combine_responses`; ``chi2`` is the reduced one between nights, its error raised
        where they scatter more than their errors allow.
    problems : tuple of str

    Raises
    ------
    ValueError
        If there is no night.
    """
    if len(nights) == 0:
        msg = "nights must hold at least one NightResponse, received none"
        raise ValueError(msg)
    if len(nights) == 1:
        return nights[0].response, ("rests on a single night",)
    season = SeasonArrays(nights)
    mean, _, _ = season.mean(range(len(nights)))
    dead = season.dead.all(axis=0)
    tilts, shares = [], []
    design = np.stack([np.ones_like(season.x), season.x], axis=1)
    for row, own in zip(season.value, season.weight, strict=True):
        use = (own > 0) & (mean > 0) & ~dead
        u = np.where(use, row / np.where(use, mean, 1.0) - 1.0, 0.0)
        fit, _, robust = fit_robustly(design, u, np.where(use, own * mean**2, 0.0))
        tilts.append(float(fit[1]))
        shares.append(float((robust * season.x**2).sum()))
    smooth = combine_smooth(
        season.value, season.weight, mean,
        np.array([n.response.typical_sky for n in nights]),
        modes=min(options.modes, season.x.size // LEAST_COLUMNS),
        unseen_light=options.unseen_light,
    )  # fmt: skip
    # Moonlight in some bins or on one night moves no other; where nights disagree, the darkest
    # ones decide.
    known = [n.gradient if len(n.gradient) else np.zeros(1) for n in nights]
    centre = _weighted_median(
        np.concatenate([g + t for g, t in zip(known, tilts, strict=True)]),
        np.concatenate(
            [np.full(len(g), s / len(g)) for g, s in zip(known, smooth.shares, strict=True)]
        ),
    )
    slope = np.array(tilts) - centre
    value = np.array([n.response.value for n in nights]) / (1.0 + slope[:, None] * season.x)
    scaled = season.value / (1.0 + slope[:, None] * season.x)
    error = np.array([n.response.error for n in nights])
    left_out = np.zeros(value.shape, dtype=bool)
    if len(nights) > 2:
        middle = np.median(np.where(season.weight > 0, scaled, np.nan), axis=0)
        pull = np.abs(scaled - np.nan_to_num(middle)) * np.sqrt(season.weight)
        typical = SIGMA_PER_MAD * np.median(pull[season.weight > 0])
        left_out = pull > options.outlier * max(1.0, float(typical))
        # Where most nights stand apart there is no majority to follow.
        left_out &= left_out.sum(axis=0) < 0.5 * len(nights)
    error = np.where(left_out, np.inf, error)
    aligned = [
        replace(n.response, value=v, error=e) for n, v, e in zip(nights, value, error, strict=True)
    ]
    problems = tuple(
        f"night {n.night}: {int(out.sum())} column(s) stand apart and are left out of the mean"
        for n, out in zip(nights, left_out, strict=True)
        if out.any()
    )
    for night, own, share in zip(nights, slope, shares, strict=True):
        if abs(own) > max(options.tilt, 5.0 / np.sqrt(max(share, 1e-30))):
            text = (
                f"night {night.night}: its response slopes by {100 * own:+.2f} % from the middle "
                "to the edge of the chip against the other nights: light on one side all night "
                "cannot be told from such a response; taken for the sky's, not for a change"
            )
            problems += (text,)
    combined = combine_responses([replace(r, problems=()) for r in aligned])
    combined = replace(
        combined, value=combined.value * (1.0 + smooth.correction),
        error=np.sqrt(combined.error**2 + smooth.variance * combined.value**2),
    )  # fmt: skip
    return combined, (*problems, *combined.problems)


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """Value below which half of the weight lies."""
    order = np.argsort(values)
    below = np.cumsum(weights[order]) - 0.5 * weights[order]
    return float(np.interp(0.5 * weights.sum(), below, values[order]))
