"""Compiled drawing of many stars' stamps from the nodes of a point-spread model.

The spline grids of `spline_kernels` are kept by the place of their points within a pixel ("parts"):
points one pixel apart lie next to each other, so that blending nodes and weighing knots are loops
over whole images, not over short rows, and run in vectors. Rows of a stamp are therefore
`part_side` apart, more than the stamp is wide; what lies between is finite and without meaning.

The nodes around a place are copied together once (`gather_nodes`) for all the sources there, so
sources come sorted by node; where they are few, each has its own grid taken apart: the same bits.
"""

import numpy as np
from numba import njit

from pipeline.stages.spline_kernels import blend_nodes, grid_half_size, spline_weights

__all__ = [
    "begin_run",
    "blend_parts",
    "blend_place",
    "draw_kernels",
    "draw_slopes",
    "draw_stamp",
    "gather_nodes",
    "part_side",
    "part_size",
]

# To gather the nodes of a place costs as much as to blend them for so many sources.
_FEW = 5


@njit(cache=True)
def part_side(half_size: int, oversample: int) -> int:
    """Points along an axis that share a place within their pixel: the pitch of a stamp's rows."""
    return (2 * grid_half_size(half_size, oversample) + oversample) // oversample


@njit(cache=True)
def part_size(half_size: int, oversample: int) -> int:
    """Elements of the parts of a grid; a row more than they hold, which loops may run into."""
    side = part_side(half_size, oversample)
    return oversample * oversample * side * side + side


@njit(cache=True)
def _take_apart(row: np.ndarray, i: int, side: int, oversample: int, parts: np.ndarray) -> None:
    """Put row ``i`` of a grid where its parts belong."""
    for q in range(oversample):
        start = ((i % oversample) * oversample + q) * side * side + (i // oversample) * side
        if oversample == 2:
            # Almost always: a step known beforehand can be taken in vectors.
            for j in range((row.size - q + 1) // 2):
                parts[start + j] = row[q + 2 * j]
            continue
        for j in range((row.size - q + oversample - 1) // oversample):
            parts[start + j] = row[q + oversample * j]


@njit(cache=True)
def gather_nodes(
    nodes: np.ndarray,
    first_width: int,
    n_width: int,
    first_column: int,
    n_column: int,
    half_size: int,
    oversample: int,
) -> np.ndarray:
    """Nodes around a place, cut for stamps of a half size and taken apart.

    Parameters
    ----------
    nodes : ndarray of shape (n_width, n_column, G, G)
        Coefficient grids.
    first_width, n_width, first_column, n_column : int
        Which of them.
    half_size, oversample : int
        As of `grid_half_size`.

    Returns
    -------
    ndarray of shape (n_width * n_column, part_size)
    """
    g = 2 * grid_half_size(half_size, oversample) + 1
    side = part_side(half_size, oversample)
    cut = (nodes.shape[2] - g) // 2
    near = np.zeros((n_width * n_column, part_size(half_size, oversample)), nodes.dtype)
    for a in range(n_width):
        for b in range(n_column):
            grid = nodes[first_width + a, first_column + b]
            out = near[a * n_column + b]
            for i in range(g):
                _take_apart(grid[cut + i, cut : cut + g], i, side, oversample, out)
    return near


@njit(cache=True)
def blend_parts(
    near: np.ndarray, width_weights: np.ndarray, column_weights: np.ndarray, parts: np.ndarray
) -> None:
    """Weighted sum of gathered nodes.

    Parameters
    ----------
    near : ndarray of shape (n_width * n_column, part_size)
        From `gather_nodes`.
    width_weights, column_weights : ndarray of shape (n_width,), (n_column,)
    parts : ndarray of shape (part_size,)
        Overwritten.
    """
    n_column = column_weights.size
    parts[:] = 0.0
    share = np.empty(4, near.dtype)  # of the nodes' own precision, and so is their sum
    for a in range(width_weights.size):
        w = width_weights[a]
        if w == 0.0:
            continue
        rows = near[a * n_column : (a + 1) * n_column]
        if n_column == 4:
            # Almost always: four at once, so that the sum is loaded and stored once.
            for b in range(4):
                share[b] = w * column_weights[b]
            w0, w1, w2, w3 = share[0], share[1], share[2], share[3]
            r0, r1, r2, r3 = rows[0], rows[1], rows[2], rows[3]
            for j in range(parts.size):
                parts[j] += w0 * r0[j] + w1 * r1[j] + w2 * r2[j] + w3 * r3[j]
            continue
        for b in range(n_column):
            share[0] = w * column_weights[b]
            w0, r0 = share[0], rows[b]
            for j in range(parts.size):
                parts[j] += w0 * r0[j]


@njit(cache=True)
def begin_run(
    which: np.ndarray,
    first: int,
    size: np.ndarray,
    nodes: np.ndarray,
    first_width: np.ndarray,
    n_width: int,
    first_column: np.ndarray,
    n_column: int,
    oversample: int,
) -> tuple[int, np.ndarray, np.ndarray]:
    """Find the sources that share the nodes and half size of that at ``first``, and gather those.

    Parameters
    ----------
    which : ndarray of int
        Sources in the order in which they are drawn.
    first : int
        Place in ``which``.
    size : ndarray of int
        Half size of each source's stamp.
    nodes, first_width, n_width, first_column, n_column, oversample
        As of `gather_nodes`; the first ones of each source.

    Returns
    -------
    end : int
        Place in ``which`` behind the last of them.
    near : ndarray
        From `gather_nodes`; empty where sources are so few that it is not worth it.
    parts : ndarray
        Room for what `blend_place` makes.
    """
    s = which[first]
    end = first + 1
    while end < which.size:
        t = which[end]
        if (
            first_width[t] != first_width[s]
            or first_column[t] != first_column[s]
            or size[t] != size[s]
        ):
            break
        end += 1
    near = np.empty((0, 0), nodes.dtype)
    if end - first >= _FEW:
        near = gather_nodes(
            nodes, first_width[s], n_width, first_column[s], n_column, size[s], oversample
        )
    return end, near, np.empty(part_size(size[s], oversample), nodes.dtype)


@njit(cache=True)
def blend_place(
    near: np.ndarray,
    nodes: np.ndarray,
    first_width: int,
    width_weights: np.ndarray,
    first_column: int,
    column_weights: np.ndarray,
    half_size: int,
    oversample: int,
    parts: np.ndarray,
) -> None:
    """Parts of the grid of a place, from ``near`` of `begin_run` or from the nodes themselves."""
    if near.shape[0] > 0:
        blend_parts(near, width_weights, column_weights, parts)
        return
    g = 2 * grid_half_size(half_size, oversample) + 1
    grid = np.empty((g, g), nodes.dtype)
    blend_nodes(nodes, first_width, width_weights, first_column, column_weights, grid)
    parts[:] = 0.0
    for i in range(g):
        _take_apart(grid[i], i, part_side(half_size, oversample), oversample, parts)


@njit(cache=True)
def _taps(
    source: np.ndarray, start: np.ndarray, weights: np.ndarray, order: int, out: np.ndarray
) -> None:
    """Weighted sum of a vector with itself, six times shifted."""
    n = out.size
    s0 = source[start[0] : start[0] + n]
    s1 = source[start[1] : start[1] + n]
    s2 = source[start[2] : start[2] + n]
    s3 = source[start[3] : start[3] + n]
    s4 = source[start[4] : start[4] + n]
    s5 = source[start[5] : start[5] + n]
    w = weights[order]
    w0, w1, w2, w3, w4, w5 = w[0], w[1], w[2], w[3], w[4], w[5]
    for i in range(n):
        out[i] = w0 * s0[i] + w1 * s1[i] + w2 * s2[i] + w3 * s3[i] + w4 * s4[i] + w5 * s5[i]


@njit(cache=True)
def _weigh(
    d: float, half_size: int, oversample: int, knots: np.ndarray, w: np.ndarray, weights: np.ndarray
) -> int:
    """Knots of the first pixel along an axis and their weights for derivatives of order 0 to 2."""
    centre = grid_half_size(half_size, oversample)
    x = centre + oversample * (-half_size - d)
    first = int(np.floor(x))
    scale = 1.0
    for order in range(3):
        spline_weights(x - first, order, w)
        for k in range(6):
            weights[order, k] = scale * w[k]
        scale *= -float(oversample)  # Moving the light by +d moves the argument by -d.
    for k in range(6):
        knots[k] = first - 2 + k
    return first - 2


@njit(cache=True)
def _across(
    parts: np.ndarray, side: int, oversample: int, row: int, knots: np.ndarray,
    weights: np.ndarray, order: int, work: np.ndarray,
) -> None:  # fmt: skip
    """Weigh knots along the columns for rows of points from ``row`` on, kept apart by place."""
    start = np.empty(6, np.int64)
    for a in range(oversample):
        for k in range(6):
            q = knots[k] % oversample
            start[k] = (a * oversample + q) * side * side + row * side + knots[k] // oversample
        _taps(parts, start, weights, order, work[a])


@njit(cache=True)
def _along(
    work: np.ndarray, side: int, oversample: int, row: int, knots: np.ndarray,
    weights: np.ndarray, order: int, out: np.ndarray,
) -> None:  # fmt: skip
    """Weigh knots along the lines, of what `_across` left."""
    start = np.empty(6, np.int64)
    length = work.shape[1]
    for k in range(6):
        start[k] = (knots[k] % oversample) * length + (knots[k] // oversample - row) * side
    _taps(work.reshape(work.size), start, weights, order, out)


@njit(cache=True)
def draw_slopes(
    parts: np.ndarray,
    half_size: int,
    oversample: int,
    d_line: float,
    d_column: float,
    n_slopes: int,
    out: np.ndarray,
) -> None:
    """A stamp and its derivatives by the position of the light.

    Parameters
    ----------
    parts : ndarray of shape (part_size,)
        From `blend_parts`.
    half_size, oversample : int
        Of the stamp, px; grid points per pixel.
    d_line, d_column : float
        Position of the light relative to the central pixel, at most `REACH` off.
    n_slopes : int
        0: the stamp alone; 2: and its first derivatives; 4: and the second along either axis.
    out : ndarray of shape (n_slopes + 1, n * part_side)
        Overwritten: flux, by line, by column, twice by line, twice by column, per pixel; ``n`` rows
        of pixels ``part_side`` apart.
    """
    side = part_side(half_size, oversample)
    n = 2 * half_size + 1
    rows, columns = np.empty(6, np.int64), np.empty(6, np.int64)
    wl, wc = np.empty((3, 6), parts.dtype), np.empty((3, 6), parts.dtype)
    w = np.empty(6)
    row = _weigh(d_line, half_size, oversample, rows, w, wl) // oversample
    _weigh(d_column, half_size, oversample, columns, w, wc)
    work = np.empty((oversample, (n + rows[5] // oversample - row) * side), parts.dtype)
    _across(parts, side, oversample, row, columns, wc, 0, work)
    _along(work, side, oversample, row, rows, wl, 0, out[0])
    if n_slopes >= 2:
        _along(work, side, oversample, row, rows, wl, 1, out[1])
        if n_slopes >= 4:
            _along(work, side, oversample, row, rows, wl, 2, out[3])
        _across(parts, side, oversample, row, columns, wc, 1, work)
        _along(work, side, oversample, row, rows, wl, 0, out[2])
        if n_slopes >= 4:
            _across(parts, side, oversample, row, columns, wc, 2, work)
            _along(work, side, oversample, row, rows, wl, 0, out[4])


@njit(cache=True)
def draw_stamp(
    parts: np.ndarray,
    half_size: int,
    oversample: int,
    d_line: float,
    d_column: float,
    out: np.ndarray,
) -> None:
    """The stamp alone, ``out`` of shape (n * part_side,); see `draw_slopes`."""
    draw_slopes(parts, half_size, oversample, d_line, d_column, 0, out.reshape(1, out.size))


@njit(cache=True)
def draw_kernels(
    order: np.ndarray,
    nodes: np.ndarray,
    first_width: np.ndarray,
    width_weights: np.ndarray,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    oversample: int,
    out: np.ndarray,
) -> None:
    """Images of unit flux on the central pixels of many stamps.

    Parameters
    ----------
    order : ndarray of int, shape (n,)
        In which they are drawn; quick where neighbours in it share their nodes.
    nodes, first_width, width_weights, first_column, column_weights : ndarray
        As of `blend_nodes`, one row per stamp.
    oversample : int
        Grid points per pixel.
    out : ndarray of shape (n, size, size), size odd
        Overwritten.
    """
    n = out.shape[1]
    h = n // 2
    side = part_side(h, oversample)
    n_width, n_column = width_weights.shape[1], column_weights.shape[1]
    near = np.empty((0, 0), nodes.dtype)
    parts = np.empty(1, nodes.dtype)
    stamp = np.empty(n * side, nodes.dtype)
    size = np.full(out.shape[0], h)
    end = 0
    for place in range(order.size):
        s = order[place]
        if place == end:
            end, near, parts = begin_run(
                order, place, size, nodes, first_width, n_width, first_column, n_column, oversample
            )
        blend_place(
            near, nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], h,
            oversample, parts,
        )  # fmt: skip
        draw_stamp(parts, h, oversample, 0.0, 0.0, stamp)
        for i in range(n):
            out[s, i] = stamp[i * side : i * side + n]
