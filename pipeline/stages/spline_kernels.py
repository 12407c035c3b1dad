"""Compiled evaluation of quintic B-spline images: value and derivatives at any sub-pixel position.

An image stored as quintic B-spline coefficients on a grid `oversample` times finer than the
pixels is evaluated at whole-pixel steps, so the six weights of an axis are the same for all
pixels of a stamp and the evaluation is separable.
"""

import numpy as np
from numba import njit

__all__ = [
    "REACH",
    "blend_nodes",
    "carry_images",
    "grid_half_size",
    "render_slopes",
    "render_stamp",
    "spline_weights",
]


# Pixels by which the light may be off the central pixel of its stamp.
REACH = 2


@njit(cache=True)
def grid_half_size(half_size: int, oversample: int) -> int:
    """Half size of the coefficient grid that a stamp needs, whatever its sub-pixel position.

    Parameters
    ----------
    half_size : int
        Half size of the stamp in pixels; its full size is ``2 half_size + 1``.
    oversample : int
        Grid points per pixel.

    Returns
    -------
    int
        The full size of the grid is twice this plus one.
    """
    # The light may lie REACH from the central pixel; three more knots for the spline's support.
    return oversample * (half_size + REACH) + 3


@njit(cache=True)
def spline_weights(t: float, order: int, w: np.ndarray) -> None:
    """Weights of the six knots -2..3 at the fraction ``t`` of [0, 1) between knots 0 and 1.

    Parameters
    ----------
    t : float
        Position between two knots.
    order : int
        Order of the derivative: 0, 1 or 2.
    w : ndarray of shape (6,)
        Filled with the weights.
    """
    s = 1.0 - t
    if order == 0:
        w[0] = s**5 / 120.0
        w[1] = (26.0 + t * (-50.0 + t * (20.0 + t * (20.0 + t * (-20.0 + 5.0 * t))))) / 120.0
        w[2] = (66.0 + t * t * (-60.0 + t * t * (30.0 - 10.0 * t))) / 120.0
        w[3] = (26.0 + t * (50.0 + t * (20.0 + t * (-20.0 + t * (-20.0 + 10.0 * t))))) / 120.0
        w[4] = (1.0 + t * (5.0 + t * (10.0 + t * (10.0 + t * (5.0 - 5.0 * t))))) / 120.0
        w[5] = t**5 / 120.0
    elif order == 1:
        w[0] = -(s**4) / 24.0
        w[1] = (-50.0 + t * (40.0 + t * (60.0 + t * (-80.0 + 25.0 * t)))) / 120.0
        w[2] = t * (-120.0 + t * t * (120.0 - 50.0 * t)) / 120.0
        w[3] = (50.0 + t * (40.0 + t * (-60.0 + t * (-80.0 + 50.0 * t)))) / 120.0
        w[4] = (5.0 + t * (20.0 + t * (30.0 + t * (20.0 - 25.0 * t)))) / 120.0
        w[5] = t**4 / 24.0
    else:
        w[0] = s**3 / 6.0
        w[1] = (40.0 + t * (120.0 + t * (-240.0 + 100.0 * t))) / 120.0
        w[2] = (-120.0 + t * t * (360.0 - 200.0 * t)) / 120.0
        w[3] = (40.0 + t * (-120.0 + t * (-240.0 + 200.0 * t))) / 120.0
        w[4] = (20.0 + t * (60.0 + t * (60.0 - 100.0 * t))) / 120.0
        w[5] = t**3 / 6.0


@njit(cache=True)
def blend_nodes(
    nodes: np.ndarray,
    first_width: int,
    width_weights: np.ndarray,
    first_column: int,
    column_weights: np.ndarray,
    out: np.ndarray,
) -> None:
    """Weighted sum of node grids, cut to the size of ``out`` about the centre.

    Parameters
    ----------
    nodes : ndarray of shape (n_width, n_column, G, G)
        Coefficient grids.
    first_width, first_column : int
        First nodes used.
    width_weights, column_weights : ndarray
        Weights of the nodes from the first one on.
    out : ndarray of shape (g, g), g <= G
        Overwritten.
    """
    g = out.shape[0]
    cut = (nodes.shape[2] - g) // 2
    out[:, :] = 0.0
    shares = np.empty(4, nodes.dtype)  # of the nodes' own precision, and so is their sum
    for a in range(width_weights.size):
        w = width_weights[a]
        if w == 0.0:
            continue
        grids = nodes[first_width + a, first_column : first_column + column_weights.size]
        if column_weights.size == 4:
            # Almost always: four at once, so that a row of the sum is loaded and stored once.
            for b in range(4):
                shares[b] = w * column_weights[b]
            w0, w1, w2, w3 = shares[0], shares[1], shares[2], shares[3]
            for i in range(g):
                s0 = grids[0, cut + i, cut : cut + g]
                s1 = grids[1, cut + i, cut : cut + g]
                s2 = grids[2, cut + i, cut : cut + g]
                s3 = grids[3, cut + i, cut : cut + g]
                row = out[i]
                for j in range(g):
                    row[j] += w0 * s0[j] + w1 * s1[j] + w2 * s2[j] + w3 * s3[j]
            continue
        for b in range(column_weights.size):
            shares[0] = w * column_weights[b]
            share = shares[0]
            for i in range(g):
                source = grids[b, cut + i, cut : cut + g]
                row = out[i]
                for j in range(g):
                    row[j] += share * source[j]


@njit(cache=True)
def render_stamp(
    grid: np.ndarray,
    oversample: int,
    d_line: float,
    d_column: float,
    order_line: int,
    order_column: int,
    out: np.ndarray,
) -> None:
    """Evaluate the spline at the pixels of a stamp.

    Parameters
    ----------
    grid : ndarray of shape (g, g)
        Coefficients; the centre of the light is at the middle element.
    oversample : int
        Grid points per pixel.
    d_line, d_column : float
        Position of the light relative to the central pixel, |d| <= `REACH`.
    order_line, order_column : int
        Order of the derivative with respect to the *position of the light* along each axis.
    out : ndarray of shape (n, n), n odd
        Overwritten with flux per pixel (or its derivative per pixel of shift).
    """
    n = out.shape[0]
    half = n // 2
    centre = grid.shape[0] // 2
    wl = np.empty(6)
    wc = np.empty(6)
    x = centre + oversample * (-half - d_line)
    first_row = int(np.floor(x))
    spline_weights(x - first_row, order_line, wl)
    y = centre + oversample * (-half - d_column)
    first_col = int(np.floor(y))
    spline_weights(y - first_col, order_column, wc)
    # Moving the light by +d moves the argument by -d.
    scale = (-float(oversample)) ** order_line * (-float(oversample)) ** order_column
    for k in range(6):
        wl[k] *= scale
    line = np.empty(oversample * (n - 1) + 6)
    for r in range(n):
        _along(grid, first_row - 2 + oversample * r, first_col - 2, wl, line)
        _across(line, oversample, wc, out[r])


@njit(cache=True)
def render_slopes(
    grid: np.ndarray,
    oversample: int,
    d_line: float,
    d_column: float,
    out: np.ndarray,
    by_line: np.ndarray,
    by_column: np.ndarray,
) -> None:
    """The image of `render_stamp` and its first derivatives, which share much of the work.

    Parameters
    ----------
    grid, oversample, d_line, d_column : ndarray, int, float, float
        As of `render_stamp`.
    out, by_line, by_column : ndarray of shape (n, n), n odd
        Overwritten with flux per pixel and its derivatives per pixel of shift.
    """
    n = out.shape[0]
    half = n // 2
    centre = grid.shape[0] // 2
    wl = np.empty(6)
    wc = np.empty(6)
    sl = np.empty(6)
    sc = np.empty(6)
    x = centre + oversample * (-half - d_line)
    first_row = int(np.floor(x))
    spline_weights(x - first_row, 0, wl)
    spline_weights(x - first_row, 1, sl)
    y = centre + oversample * (-half - d_column)
    first_col = int(np.floor(y))
    spline_weights(y - first_col, 0, wc)
    spline_weights(y - first_col, 1, sc)
    for k in range(6):
        sl[k] *= -float(oversample)
        sc[k] *= -float(oversample)
    line = np.empty(oversample * (n - 1) + 6)
    for r in range(n):
        row = first_row - 2 + oversample * r
        _along(grid, row, first_col - 2, wl, line)
        _across(line, oversample, wc, out[r])
        _across(line, oversample, sc, by_column[r])
        _along(grid, row, first_col - 2, sl, line)
        _across(line, oversample, wc, by_line[r])


@njit(cache=True)
def _along(grid: np.ndarray, first: int, column: int, w: np.ndarray, line: np.ndarray) -> None:
    """Weighted sum of six rows of a grid."""
    stop = column + line.size
    r0 = grid[first, column:stop]
    r1 = grid[first + 1, column:stop]
    r2 = grid[first + 2, column:stop]
    r3 = grid[first + 3, column:stop]
    r4 = grid[first + 4, column:stop]
    r5 = grid[first + 5, column:stop]
    for j in range(line.size):
        line[j] = (
            w[0] * r0[j] + w[1] * r1[j] + w[2] * r2[j] + w[3] * r3[j] + w[4] * r4[j] + w[5] * r5[j]
        )


@njit(cache=True)
def _across(line: np.ndarray, oversample: int, w: np.ndarray, out: np.ndarray) -> None:
    """Weighted sums of six points of a line, once a pixel."""
    for c in range(out.size):
        j = oversample * c
        out[c] = (
            w[0] * line[j]
            + w[1] * line[j + 1]
            + w[2] * line[j + 2]
            + w[3] * line[j + 3]
            + w[4] * line[j + 4]
            + w[5] * line[j + 5]
        )


@njit(cache=True, nogil=True)
def carry_images(
    nodes: np.ndarray,
    first_width: np.ndarray,
    width_weights: np.ndarray,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    ratio: float,
    jacobians: np.ndarray,
    out: np.ndarray,
) -> None:
    """Images of many places, seen through linear maps.

    Parameters
    ----------
    nodes, first_width, width_weights, first_column, column_weights : ndarray
        As of `blend_nodes`, one row per place.
    ratio : float
        Grid points of a node per point of an image, where the map is the identity.
    jacobians : ndarray of shape (n, 2, 2)
        Change of the node's axes with the image's.
    out : ndarray of shape (n, m, m), m odd
        Overwritten with flux per point: the node's value times the map's area.
    """
    g = nodes.shape[2]
    grid = np.empty((g, g))
    for s in range(out.shape[0]):
        blend_nodes(
            nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], grid
        )
        _warp(grid, ratio, jacobians[s], out[s])


@njit(cache=True)
def _place(start: float, slope: float, base: np.ndarray, weights: np.ndarray) -> None:
    """Knots and weights of points along a straight line; inlined, for it runs in vectors."""
    h = base.size // 2
    one = 1.0 / 120.0  # a division takes as long as all the rest
    for j in range(base.size):
        x = start + slope * (j - h)
        whole = np.floor(x)
        t = x - whole
        s = 1.0 - t
        base[j] = int(whole) - 2
        weights[0, j] = one * s * s * s * s * s
        weights[1, j] = one * (26.0 + t * (-50.0 + t * (20.0 + t * (20.0 + t * (-20.0 + 5.0 * t)))))
        weights[2, j] = one * (66.0 + t * t * (-60.0 + t * t * (30.0 - 10.0 * t)))
        weights[3, j] = one * (
            26.0 + t * (50.0 + t * (20.0 + t * (-20.0 + t * (-20.0 + 10.0 * t))))
        )
        weights[4, j] = one * (1.0 + t * (5.0 + t * (10.0 + t * (10.0 + t * (5.0 - 5.0 * t)))))
        weights[5, j] = one * t * t * t * t * t


@njit(cache=True)
def _warp(grid: np.ndarray, ratio: float, jacobian: np.ndarray, out: np.ndarray) -> None:
    """One image of `carry_images`; beyond the grid its coefficients count as zero."""
    g = grid.shape[0]
    n = out.shape[0]
    h = n // 2
    area = abs(jacobian[0, 0] * jacobian[1, 1] - jacobian[0, 1] * jacobian[1, 0])
    wl = np.empty((6, n))
    wc = np.empty((6, n))
    row = np.empty(n, np.int64)
    column = np.empty(n, np.int64)
    for i in range(n):
        _place(g // 2 + ratio * jacobian[0, 0] * (i - h), ratio * jacobian[0, 1], row, wl)
        _place(g // 2 + ratio * jacobian[1, 0] * (i - h), ratio * jacobian[1, 1], column, wc)
        for j in range(n):
            l0 = row[j]
            c0 = column[j]
            total = 0.0
            if l0 >= 0 and c0 >= 0 and l0 + 5 < g and c0 + 5 < g:
                for a in range(6):
                    r = grid[l0 + a]
                    total += wl[a, j] * (
                        wc[0, j] * r[c0]
                        + wc[1, j] * r[c0 + 1]
                        + wc[2, j] * r[c0 + 2]
                        + wc[3, j] * r[c0 + 3]
                        + wc[4, j] * r[c0 + 4]
                        + wc[5, j] * r[c0 + 5]
                    )
            else:
                for a in range(6):
                    for b in range(6):
                        if 0 <= l0 + a < g and 0 <= c0 + b < g:
                            total += wl[a, j] * wc[b, j] * grid[l0 + a, c0 + b]
            out[i, j] = area * total
