"""Where in a season a change of response belongs: the cut that leaves the least scatter.

A dark night weighs little in a mean, so that whether it stands before or after a change hardly
moves the difference of the two means. What tells is its own scatter about the mean of its group.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.season_compare import SeasonArrays, fit_robustly, make_nuisance

__all__ = ["scatter_within"]

_F = NDArray[np.float64]


def scatter_within(season: SeasonArrays, first: int, stop: int) -> _F:
    """Scatter of nights about the means of both groups, for every cut of a range of nights.

    Factors, slopes across the chip and known patterns of additive light are fitted night by night
    against the mean of all, since gradients of the sky and moonlight change them; what is left is
    summed, weighted by inverse variance, about the mean of the nights before the cut and of those
    after it. Of all ways to cut into two Gaussian groups, the least such sum is the likeliest
    (least squares; the binary segmentation of Scott and Knott 1974, Biometrics 30, 507).

    Parameters
    ----------
    season : SeasonArrays
        Nights put together.
    first, stop : int
        Half-open range of nights, at least two.

    Returns
    -------
    ndarray of shape (stop - first - 1,)
        Sum of squared pulls with the cut before night ``first + 1``, ``first + 2``, ...
    """
    mean, variance, _ = season.mean(range(first, stop))
    known = np.isfinite(variance) & (mean > 0)
    safe = np.where(known, mean, 1.0)
    free = make_nuisance(season.x, season.light, known)
    rest = np.zeros((stop - first, len(mean)))
    weight = np.zeros_like(rest)
    for row, night in enumerate(range(first, stop)):
        use = known & (season.weight[night] > 0)
        if not use.any():
            continue
        own = np.where(use, season.weight[night] * safe**2, 0.0)
        u = np.where(use, season.value[night] / safe - 1.0, 0.0)
        fit, _, _ = fit_robustly(free, u, own)
        # Over the night's own factor and slope, as a gradient of the sky multiplies the response.
        rest[row] = np.where(use, (u - free @ fit) / (1.0 + free @ fit), 0.0)
        weight[row] = own
    before = _scatter_of_first(weight, rest)[:-1]
    after = _scatter_of_first(weight[::-1], rest[::-1])[:-1][::-1]
    return np.asarray(before + after)


def _scatter_of_first(weight: _F, rest: _F) -> _F:
    """Weighted squared scatter of the first 1, 2, ... rows about their means, all columns."""
    total = np.cumsum(weight, axis=0)
    mean = np.cumsum(weight * rest, axis=0) / np.where(total > 0, total, 1.0)
    square = np.cumsum(weight * rest**2, axis=0)
    return np.asarray((square - total * mean**2).sum(axis=1))
