"""The sky of some lines, ready to be made line by line or at single pixels."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["SkyLines", "cubic_weights", "sky_line"]

_F = NDArray[np.float64]


class SkyLines(NamedTuple):
    """Sky of consecutive lines (see `SkyModel.prepare`).

    Parameters
    ----------
    common : ndarray of float32 of shape (n_lines,)
        What all columns share, electrons.
    rows : ndarray of float32 of shape (n_rows, n_columns)
        Deviations of the columns, at the lines of some rows of the mesh.
    at : ndarray of int64 of shape (n_lines, 4)
        Rows that decide about a line.
    share : ndarray of float32 of shape (n_lines, 4)
        Their weights.
    """

    common: NDArray[np.float32]
    rows: NDArray[np.float32]
    at: NDArray[np.int64]
    share: NDArray[np.float32]

    def crop(self, rows: slice) -> "SkyLines":
        """Some of the lines, counted from the first."""
        return SkyLines(self.common[rows], self.rows, self.at[rows], self.share[rows])

    def image(self) -> NDArray[np.float32]:
        """Sky of all pixels, shape (n_lines, n_columns), electrons."""
        out = np.empty((self.common.size, self.rows.shape[1]), dtype=np.float32)
        _fill(self, out)
        return out

    def pixels(self, lines: NDArray[np.integer], columns: NDArray[np.integer]) -> NDArray:
        """Sky of single pixels, the same as in `image`.

        Parameters
        ----------
        lines, columns : ndarray of shape (n,)
            Lines are counted from the first.

        Returns
        -------
        ndarray of float32 of shape (n,)
            Electrons.
        """
        out = self.common[lines]
        for k in range(4):
            out = out + self.share[lines, k] * self.rows[self.at[lines, k], columns]
        return out


@njit(cache=True)
def sky_line(sky: SkyLines, l: int, out: np.ndarray) -> None:
    """Fill one line, counted from the first."""
    at, share = sky.at[l], sky.share[l]
    r0, r1, r2, r3 = sky.rows[at[0]], sky.rows[at[1]], sky.rows[at[2]], sky.rows[at[3]]
    s0, s1, s2, s3 = share[0], share[1], share[2], share[3]
    common = sky.common[l]
    for c in range(out.size):
        out[c] = common + s0 * r0[c] + s1 * r1[c] + s2 * r2[c] + s3 * r3[c]


@njit(cache=True)
def _fill(sky: SkyLines, out: np.ndarray) -> None:
    for l in range(out.shape[0]):
        sky_line(sky, l, out[l])


def cubic_weights(knots: _F, x: _F) -> tuple[NDArray[np.int64], _F]:
    """Four knots and their weights for each x: local cubic Hermite on uneven knots.

    Slopes are those of the parabola through a knot and its neighbours, one-sided at the ends.
    """
    n = len(knots)
    if n == 1:
        return np.zeros((len(x), 4), dtype=np.int64), np.tile([1.0, 0.0, 0.0, 0.0], (len(x), 1))
    k = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, n - 2)
    index = np.clip(k[:, None] + np.arange(-1, 3)[None, :], 0, n - 1)
    h = knots[k + 1] - knots[k]
    t = (x - knots[k]) / h
    inside = (t >= 0) & (t <= 1)
    u = np.where(inside, t, 0.0)
    h00 = 2 * u**3 - 3 * u**2 + 1
    h10 = u**3 - 2 * u**2 + u
    h11 = u**3 - u**2
    w = np.zeros((len(x), 4))
    w[:, 1] += h00
    w[:, 2] += 1 - h00
    # Slope at the left knot: (a d1 + b d0) with d1 the slope to the right, d0 to the left.
    left = k > 0
    g = np.where(left, knots[k] - knots[np.maximum(k - 1, 0)], h)
    b = np.where(left, h / (g + h), 0.0)  # weight of the slope to the left
    w[:, 2] += h10 * (1 - b)
    w[:, 1] -= h10 * (1 - b)
    w[:, 1] += h10 * b * h / g
    w[:, 0] -= h10 * b * h / g
    right = k < n - 2
    g = np.where(right, knots[np.minimum(k + 2, n - 1)] - knots[k + 1], h)
    b = np.where(right, h / (g + h), 0.0)  # weight of the slope to the right
    w[:, 2] += h11 * (1 - b)
    w[:, 1] -= h11 * (1 - b)
    w[:, 3] += h11 * b * h / g
    w[:, 2] -= h11 * b * h / g
    outside = ~inside
    w[outside] = 0.0
    w[outside, 1] = 1 - t[outside]
    w[outside, 2] = t[outside]
    return index, w
