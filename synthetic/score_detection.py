"""Completeness against the ideal matched filter, and false detections."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.spatial import cKDTree
from scipy.special import ndtr

from synthetic.score_rows import Row, judge, judge_absent, judge_unmeasurable
from synthetic.score_stars import MATCH_RADIUS, Stars
from synthetic.score_world import World

__all__ = ["fit_half_completeness", "score_detection"]

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_DEPTH_LIMIT = 0.1
_FALSE_LIMIT = 1.0
# Of the matched filter's noise, where the catalogue states none.
_THRESHOLD = 5.0
_FOUND_WITHIN = 1.5
# Neighbours may hold this share of a star's flux in its filter for it to count as alone.
_NEIGHBOUR_SHARE = 0.1
# Signal to noise over threshold of the stars that decide.
_RANGE = (0.3, 4.0)
_MIN_STARS = 100
_TRAIL_REACH = 8.0


def fit_half_completeness(
    sn: FloatArray, found: Mask, *, threshold: float, chance: float
) -> tuple[float, float, float]:
    """Signal to noise at which half of the stars are found.

    The probability of finding a star is ``c + (1 - c) top Phi((s / r - threshold) / w)`` with
    the depth factor ``r``, the width ``w`` and the ceiling ``top`` fitted by likelihood; the
    ideal filter has ``r = w = top = 1``.

    Parameters
    ----------
    sn : ndarray of shape (n,)
        Signal to noise of each star in the ideal matched filter.
    found : ndarray of bool, shape (n,)
        Whether it was found.
    threshold : float
        Detection threshold in units of the filter's noise.
    chance : float
        Probability ``c`` of an unrelated source within the match radius.

    Returns
    -------
    shift, error, top : float
        Depth lost in magnitudes (positive: shallower than the ideal filter), its standard error,
        and the share found far above the threshold.
    """

    def curve(p: FloatArray) -> FloatArray:
        ratio, width = 10.0 ** (0.4 * p[0]), math.exp(p[1])
        top = 1.0 / (1.0 + math.exp(-p[2]))
        probability = chance + (1.0 - chance) * top * ndtr((sn / ratio - threshold) / width)
        return np.clip(probability, 1e-9, 1.0 - 1e-9)

    def cost(p: FloatArray) -> float:
        probability = curve(p)
        return float(-np.sum(np.where(found, np.log(probability), np.log1p(-probability))))

    best = minimize(
        cost, np.array([0.0, 0.0, 4.0]), method="Nelder-Mead", options={"maxiter": 2000}
    )
    p = np.asarray(best.x, dtype=np.float64)
    # Fisher information of the three parameters from the slopes of the curve.
    steps = np.array([1e-4, 1e-4, 1e-3])
    slopes = np.column_stack(
        [
            (curve(p + h) - curve(p - h)) / (2 * s)
            for s, h in zip(steps, np.diag(steps), strict=True)
        ]
    )
    middle = curve(p)
    information = (slopes / (middle * (1.0 - middle))[:, None]).T @ slopes
    error = math.sqrt(max(float(np.linalg.pinv(information)[0, 0]), 0.0))
    return float(p[0]), error, 1.0 / (1.0 + math.exp(-float(p[2])))


def _find_near(stars: Stars) -> tuple[Mask, float]:
    """True sources with any catalogue entry close by, and the chance of an unrelated one."""
    t = stars.truth
    near = np.zeros(len(t["line"]), dtype=bool)
    hits = trials = 0
    for index, catalogue in enumerate(stars.catalogues):
        if catalogue is None or len(catalogue.get("line", ())) == 0:
            continue
        own = t["strip"] == index
        place = np.column_stack([t["line"], t["column"]])[own]
        entries = np.column_stack([catalogue["line"], catalogue["column"]]).astype(np.float64)
        entries = entries[np.all(np.isfinite(entries), axis=1)]
        tree = cKDTree(entries)
        near[own] = np.isfinite(tree.query(place, distance_upper_bound=_FOUND_WITHIN)[0])
        # The same pattern moved along the strip meets only unrelated entries.
        moved = place + np.array([37.0, 0.0])
        distance = tree.query(moved, distance_upper_bound=_FOUND_WITHIN)[0]
        hits += int(np.sum(np.isfinite(distance)))
        trials += int(distance.size)
    return near, hits / trials if trials else 0.0


def _score_completeness(world: World, stars: Stars) -> Row:
    figure = "50 % completeness against the ideal matched filter"
    t = stars.truth
    threshold = stars.threshold if stars.threshold is not None else _THRESHOLD
    relative = t["sn_matched"] / threshold
    alone = t["star"] & t["complete"] & t["good_place"] & (t["neighbours"] < _NEIGHBOUR_SHARE)
    target = alone & (relative > _RANGE[0]) & (relative < _RANGE[1])
    measured = ~np.isin(t["strip"], [k for k, c in enumerate(stars.catalogues) if c is None])
    chosen = target & measured
    failure = stars.describe_missing()
    if np.sum(target) < _MIN_STARS:
        reason = f"only {int(np.sum(target))} lone stars near the limit; {_MIN_STARS} are needed"
        return judge_unmeasurable(figure, reason, low=-_DEPTH_LIMIT, high=_DEPTH_LIMIT, unit="mag")
    if np.sum(target & (relative < 0.8)) < _MIN_STARS / 5:
        reason = "the scenario has too few stars below the limit"
        return judge_unmeasurable(figure, reason, low=-_DEPTH_LIMIT, high=_DEPTH_LIMIT, unit="mag")
    if not np.any(chosen):
        return judge_absent(figure, failure, low=-_DEPTH_LIMIT, high=_DEPTH_LIMIT, unit="mag")
    near, chance = _find_near(stars)
    shift, error, top = fit_half_completeness(
        relative[chosen] * threshold, near[chosen], threshold=threshold, chance=chance
    )
    each = []
    for index, strip in enumerate(world.science):
        own = chosen & (t["strip"] == index)
        if np.sum(own) >= _MIN_STARS:
            sn = relative[own] * threshold
            value = fit_half_completeness(sn, near[own], threshold=threshold, chance=chance)[0]
            each.append((value, strip.name))
    worst = max(each, key=lambda item: abs(item[0]), default=(math.nan, ""))
    return judge(
        figure,
        shift,
        low=-_DEPTH_LIMIT,
        high=_DEPTH_LIMIT,
        n=int(np.sum(chosen)),
        unit="mag",
        error=error,
        notes=[
            "positive is shallower",
            f"threshold {threshold:g} "
            + ("(assumed)" if stars.threshold is None else "(from the catalogues)"),
            f"{100 * top:.1f} % found well above it",
            f"chance coincidences {100 * chance:.2f} %",
            f"worst strip {worst[0]:+.3f} ({worst[1]})" if worst[1] else "",
        ],
        failures=[failure],
    )


def _count_false(world: World, stars: Stars, index: int) -> tuple[int, float, float]:
    """Unflagged entries of one strip, those without a true source, and the chance of one."""
    catalogue = stars.catalogues[index]
    if catalogue is None:
        return 0, 0.0, 0.0
    place = np.column_stack([catalogue["line"], catalogue["column"]]).astype(np.float64)
    flags = np.asarray(catalogue.get("flags", np.zeros(len(place))))
    chosen = (flags == 0) & np.all(np.isfinite(place), axis=1)
    trail = world.science[index].trail
    if len(trail) and np.any(chosen):
        safe = np.where(np.isfinite(place), place, -1e9)
        chosen &= cKDTree(trail).query(safe)[0] > _TRAIL_REACH
    t = stars.truth
    own = (t["strip"] == index) & ((t["sn_matched"] > 2.0) | ~t["complete"])
    there = np.column_stack([t["line"], t["column"]])[own]
    chance = 0.0
    if len(there) and np.any(chosen):
        moved = place[chosen] + np.array([41.0, 0.0])
        distance = cKDTree(there).query(moved, distance_upper_bound=MATCH_RADIUS)[0]
        chance = float(np.mean(np.isfinite(distance)))
    wrong = int(np.sum(chosen & ~stars.claimed[index]))
    # Some false entries hide next to an unrelated faint star.
    return int(np.sum(chosen)), wrong / (1.0 - min(chance, 0.9)), chance


def _score_false(world: World, stars: Stars) -> Row:
    figure = "false detections"
    counts = [_count_false(world, stars, index) for index in range(len(stars.catalogues))]
    total = sum(count[0] for count in counts)
    failure = stars.describe_missing()
    if total == 0:
        reason = failure or "the catalogues hold no unflagged source"
        return judge_absent(figure, reason, high=_FALSE_LIMIT, strict=True, unit="per cent")
    wrong = sum(count[1] for count in counts)
    chance = sum(count[0] * count[2] for count in counts) / total
    each = [
        (100.0 * count[1] / count[0], strip.name)
        for count, strip in zip(counts, world.science, strict=True)
        if count[0]
    ]
    worst = max(each)
    return judge(
        figure,
        100.0 * wrong / total,
        high=_FALSE_LIMIT,
        strict=True,
        n=total,
        unit="per cent",
        notes=[
            f"{wrong:.1f} entries, corrected for {100 * chance:.2f} % chance coincidences",
            f"worst strip {worst[0]:.2f} % ({worst[1]})",
        ],
        failures=[failure],
    )


def score_detection(world: World, stars: Stars) -> list[Row]:
    """Rows of completeness and of false detections.

    Parameters
    ----------
    world : World
        Truth.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
    """
    return [_score_completeness(world, stars), _score_false(world, stars)]
