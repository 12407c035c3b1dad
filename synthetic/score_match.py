"""Pairs of true and measured sources, and the light of neighbours."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

__all__ = ["match_mutually", "sum_neighbours"]

# Neighbours are looked for up to this distance; the brightest hundredth from further away.
_NEAR, _FAR = 30.0, 120.0


def match_mutually(
    first: NDArray[np.float64], second: NDArray[np.float64], radius: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs that are each other's nearest within a radius.

    Parameters
    ----------
    first, second : ndarray of shape (n, d) and (m, d)
        Cartesian positions.
    radius : float
        Largest distance, in the unit of the positions.

    Returns
    -------
    i, j : ndarray of shape (pairs,)
        Indices into `first` and `second`.
    """
    if len(first) == 0 or len(second) == 0:
        empty = np.empty(0, dtype=np.int64)
        return empty, empty
    distance, forward = cKDTree(second).query(first, distance_upper_bound=radius)
    backward = cKDTree(first).query(second)[1]
    i = np.flatnonzero(np.isfinite(distance))
    j = forward[i]
    mutual = backward[j] == i
    return i[mutual].astype(np.int64), j[mutual].astype(np.int64)


def _tabulate_overlap(fwhm: float, beta: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Overlap of two profiles against their distance in px, relative to that at zero distance."""
    core2 = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / beta) - 1.0)
    near = np.arange(0.0, 12.0 * fwhm, 0.1 * fwhm)
    # A step of a fifth of the width sums so smooth a profile without error worth the name.
    x = np.arange(-40.0 * fwhm, 40.0 * fwhm, 0.2 * fwhm)
    across = x[:, None] ** 2
    fixed = (1.0 + (across + x**2) / core2) ** -beta
    values = np.array(
        [np.sum(fixed * (1.0 + (across + (x - r) ** 2) / core2) ** -beta) for r in near]
    )
    # Further out the overlap falls like the wing itself.
    far = np.arange(near[-1] + fwhm, _FAR + fwhm, fwhm)
    wing = ((1.0 + far**2 / core2) / (1.0 + near[-1] ** 2 / core2)) ** -beta
    distance = np.concatenate([near, far])
    return distance, np.concatenate([values, values[-1] * wing]) / values[0]


def sum_neighbours(
    position: NDArray[np.float64],
    flux: NDArray[np.float64],
    *,
    fwhm: float,
    beta: float,
    smear: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Share of its own flux that the neighbours put into each star's profile fit.

    Parameters
    ----------
    position : ndarray of shape (n, 2)
        Line and column, px.
    flux : ndarray of shape (n,)
        Positive, any unit.
    fwhm : float
        Full width at half maximum of the profile, px.
    beta : float
        Exponent of the Moffat profile.
    smear : ndarray of shape (n, 3), optional
        Second moments (line, mixed, column; px^2) that widen each star's profile beyond that:
        distances count by the ellipse that both give.

    Returns
    -------
    ndarray of shape (n,)
    """
    distance, overlap = _tabulate_overlap(fwhm, beta)
    seeing = (fwhm / 2.3548) ** 2
    extra = np.zeros((len(flux), 3)) if smear is None else np.asarray(smear) / seeing
    near_by = _NEAR * float(np.sqrt(1.0 + extra[:, [0, 2]].max(initial=0.0)))
    total = np.zeros(len(flux))
    tree = cKDTree(position)
    bright = np.argsort(flux)[-max(1, len(flux) // 100) :]
    is_bright = np.zeros(len(flux), dtype=bool)
    is_bright[bright] = True

    def add(i: NDArray[np.int64], j: NDArray[np.int64]) -> None:
        line, column = (position[i] - position[j]).T
        ll, lc, cc = extra[i].T
        ll, cc = 1.0 + ll, 1.0 + cc
        r2 = (cc * line**2 - 2.0 * lc * line * column + ll * column**2) / (ll * cc - lc**2)
        np.add.at(total, i, flux[j] / flux[i] * np.interp(np.sqrt(r2), distance, overlap))

    pairs = tree.query_pairs(near_by, output_type="ndarray")
    add(pairs[:, 0], pairs[:, 1])
    add(pairs[:, 1], pairs[:, 0])
    for j in bright:
        near = np.asarray(tree.query_ball_point(position[j], max(_FAR, near_by)), dtype=np.int64)
        r2 = np.sum((position[near] - position[j]) ** 2, axis=1)
        near = near[r2 > near_by**2]
        add(near, np.full(near.size, j, dtype=np.int64))
    return total
