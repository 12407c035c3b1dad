"""Compiled parts of the resampling: kernel weights, weighted sums, node interpolation, masks."""

import numpy as np
from numba import njit

from pipeline.flags import PixelMask

__all__ = ["HALF", "POLY", "TAPS", "fill_weights", "find_bad", "find_touched", "resample_band"]

HALF = 3
TAPS = 2 * HALF
_CHUNK = 256  # pixels whose 24 weight rows stay in the first-level cache
_SNAP = 1048576.0  # positions are rounded to 2**-20 px, so an identity map has weight exactly one
_OUTSIDE = -(2**30)
_NO_DATA = np.uint16(PixelMask.NO_DATA)

# Polynomials in u = 2f - 1 (even part in u**2, odd part / u in u**2) whose products with f (1 - f),
# f (1 - f) and (1 - f) are the weights of taps -2, -1 and 0 at fraction f in [0, 1]; the other
# three taps mirror them.  Chebyshev fits to the solution of the least-squares problem of the module
# docstring (solved anew in the tests); largest error of a weight 3.4e-8.
_E0 = (0.0772920152371, -0.0102827053503, 0.000212764069168, -2.92217005404e-06)
_O0 = (-0.0212340526946, 0.0030927587488, -9.28888828093e-05, 0.0)
_E1 = (-0.481876045713, 0.0308481160944, -0.000638292352089, 8.76662584343e-06)
_O1 = (0.178633528993, -0.0135311137597, 0.000370889853404, 0.0)
_E2 = (1.20229197079, -0.225147067004, 0.0127754043297, -0.000325612465031)
_O2 = (-0.0125734661617, 0.00228462549574, -0.000116462481282, 0.0)
POLY = np.array([_E0, _O0, _E1, _O1, _E2, _O2])


@njit(cache=True)
def find_bad(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
) -> np.ndarray:
    """Pixels that must not enter a tile."""
    n, m = image.shape
    bad = np.empty((n, m), np.uint8)
    top = np.float32(np.inf)
    for i in range(n):
        row, v, b, out = image[i], variance[i], mask[i], bad[i]
        for c in range(m):
            good = (b[c] == 0) & (abs(row[c]) < top) & (v[c] > 0) & (v[c] < top)
            out[c] = 1 - good
    return bad


@njit(cache=True)
def find_touched(
    bad: np.ndarray,
) -> np.ndarray:
    """Base pixels whose 6 x 6 footprint holds a bad pixel or leaves the window."""
    n, m = bad.shape
    touched = np.ones((n, m), np.uint8)
    if n < TAPS or m < TAPS:
        return touched
    wide = np.zeros((n, m), np.uint8)
    inner = m - TAPS + 1
    for i in range(n):
        row, out = bad[i], wide[i]
        for c in range(inner):
            out[c] = row[c] | row[c + 1] | row[c + 2] | row[c + 3] | row[c + 4] | row[c + 5]
    for i in range(2, n - HALF):
        a, b, c, d, e, f = wide[i - 2], wide[i - 1], wide[i], wide[i + 1], wide[i + 2], wide[i + 3]
        out = touched[i, 2 : 2 + inner]
        for k in range(inner):
            out[k] = a[k] | b[k] | c[k] | d[k] | e[k] | f[k]
    return touched


@njit(cache=True)
def fill_weights(
    frac: np.ndarray,
    n: int,
    poly: np.ndarray,
    w: np.ndarray,
) -> None:
    """Weights of n fractions into the six rows of w, in the precision of frac."""
    one = frac.dtype.type(1.0)
    a0, a1, a2, a3 = poly[0]
    b0, b1, b2, _ = poly[1]
    c0, c1, c2, c3 = poly[2]
    d0, d1, d2, _ = poly[3]
    e0, e1, e2, e3 = poly[4]
    g0, g1, g2, _ = poly[5]
    w0, w1, w2, w3, w4, w5 = w[0, :n], w[1, :n], w[2, :n], w[3, :n], w[4, :n], w[5, :n]
    fr = frac[:n]
    for t in range(n):
        f = fr[t]
        u = f + f - one
        s = u * u
        p = f * (one - f)
        even = a0 + s * (a1 + s * (a2 + s * a3))
        odd = u * (b0 + s * (b1 + s * b2))
        w0[t] = p * (even + odd)
        w5[t] = p * (even - odd)
    for t in range(n):
        f = fr[t]
        u = f + f - one
        s = u * u
        p = f * (one - f)
        even = c0 + s * (c1 + s * (c2 + s * c3))
        odd = u * (d0 + s * (d1 + s * d2))
        w1[t] = p * (even + odd)
        w4[t] = p * (even - odd)
    for t in range(n):
        f = fr[t]
        u = f + f - one
        s = u * u
        even = e0 + s * (e1 + s * (e2 + s * e3))
        odd = u * (g0 + s * (g1 + s * g2))
        w3[t] = f * (even - odd)
    for t in range(n):  # the sum is one by construction, and w2 is exactly one at f = 0
        w2[t] = one - (((w0[t] + w5[t]) + (w1[t] + w4[t])) + w3[t])


@njit(cache=True)
def _convolve(
    image: np.ndarray,
    line: int,
    column: int,
    first: int,
    last: int,
    wl: np.ndarray,
    wc: np.ndarray,
    total: np.ndarray,
) -> None:
    """Weighted sums of the pixels first to last of a run along a line."""
    n = last - first
    a, b, c = wc[0, first:last], wc[1, first:last], wc[2, first:last]
    d, e, f = wc[3, first:last], wc[4, first:last], wc[5, first:last]
    out = total[first:last]
    for t in range(n):
        out[t] = np.float32(0.0)
    for j in range(TAPS):
        r = image[line + j, column : column + n + TAPS - 1]
        w = wl[j, first:last]
        for t in range(n):
            out[t] += w[t] * (
                a[t] * r[t]
                + b[t] * r[t + 1]
                + c[t] * r[t + 2]
                + d[t] * r[t + 3]
                + e[t] * r[t + 4]
                + f[t] * r[t + 5]
            )


@njit(cache=True)
def _resample_pixel(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    bad: np.ndarray,
    il: int,
    ic: int,
    wl: np.ndarray,
    wc: np.ndarray,
    t: int,
    min_good: float,
    correlated: bool,
) -> tuple[float, float, np.uint16]:
    """One tile pixel whose footprint holds bad pixels: sums over the good ones."""
    n, m = image.shape
    everything, good, norm, total, noise = 0.0, 0.0, 0.0, 0.0, 0.0
    bits = np.uint16(0)
    for j in range(TAPS):
        i = il - 2 + j
        for k in range(TAPS):
            w = np.float64(wl[j, t]) * np.float64(wc[k, t])
            if w == 0.0:
                continue
            c = ic - 2 + k
            everything += abs(w)
            if i < 0 or i >= n or c < 0 or c >= m:
                bits |= _NO_DATA
            elif bad[i, c]:
                bits |= mask[i, c] if mask[i, c] != 0 else _NO_DATA
            else:
                good += abs(w)
                norm += w
                total += w * image[i, c]
                noise += (w if correlated else w * w) * variance[i, c]
    # 1e-9: rounding must not fail a pixel that lost nothing
    if good < (min_good - 1e-9) * everything or norm <= 0.0:
        return np.nan, np.nan, bits
    return total / norm, noise / (norm if correlated else norm * norm), np.uint16(0)


@njit(cache=True)
def _node_weights(
    s: float,
) -> tuple[float, float, float, float]:
    """Cubic convolution weights (a = -1/2) of four nodes at fraction s."""
    return (
        ((-0.5 * s + 1.0) * s - 0.5) * s,
        (1.5 * s - 2.5) * s * s + 1.0,
        ((-1.5 * s + 2.0) * s + 0.5) * s,
        (0.5 * s - 0.5) * s * s,
    )


@njit(cache=True)
def _fill_row(
    nodes: np.ndarray,
    step: float,
    offset: float,
    out: np.ndarray,
) -> None:
    """Cubic convolution of one padded row of nodes at every tile pixel of a row."""
    nx = out.shape[0]
    cells = nodes.shape[0] - 3
    x = 0
    for cell in range(cells):
        stop = nx if cell == cells - 1 else int(np.ceil((cell + 1) * step - offset))
        stop = min(stop, nx)
        a, b, c, d = nodes[cell], nodes[cell + 1], nodes[cell + 2], nodes[cell + 3]
        p1 = 0.5 * (c - a)
        p2 = a - 2.5 * b + 2.0 * c - 0.5 * d
        p3 = 0.5 * (d - a) + 1.5 * (b - c)
        if stop > x:
            part = out[x:stop]
            start = x + offset - cell * step
            for t in range(stop - x):
                s = (start + t) / step
                part[t] = b + s * (p1 + s * (p2 + s * p3))
            x = stop


@njit(cache=True)
def _fill_factor(
    area: np.ndarray,
    s0: float,
    s1: float,
    frac_line: np.ndarray,
    scale_of_column: np.ndarray,
    ic: int,
    frac_column: np.ndarray,
    factor: np.ndarray,
) -> bool:
    """Area times scales along a run; returns whether every factor is finite and positive."""
    m, count = scale_of_column.shape[0], area.shape[0]
    faulty = 0
    if ic >= 0 and ic + count < m:
        k = scale_of_column[ic : ic + count + 1]
        for t in range(count):
            along = s0 + frac_line[t] * (s1 - s0) if frac_line[t] > 0 else s0
            across = k[t] + frac_column[t] * (k[t + 1] - k[t]) if frac_column[t] > 0 else k[t]
            factor[t] = np.float32(area[t] * along * across)
    else:
        for t in range(count):
            k0 = scale_of_column[min(max(ic + t, 0), m - 1)]
            k1 = scale_of_column[min(ic + t + 1, m - 1)]
            along = s0 + frac_line[t] * (s1 - s0) if frac_line[t] > 0 else s0
            across = k0 + frac_column[t] * (k1 - k0) if frac_column[t] > 0 else k0
            factor[t] = np.float32(area[t] * along * across)
    top = np.float32(np.inf)
    for t in range(count):
        faulty += 0 if (factor[t] > 0) & (factor[t] < top) else 1
    return faulty == 0


@njit(cache=True)
def _square(
    weights: np.ndarray,
    squares: np.ndarray,
    n: int,
) -> None:
    """Squares of the first n weights."""
    for t in range(n):
        squares[t] = weights[t] * weights[t]


@njit(cache=True)
def _store(
    total: np.ndarray,
    noise: np.ndarray,
    factor: np.ndarray,
    touched: np.ndarray,
    flux: np.ndarray,
    var: np.ndarray,
    bits: np.ndarray,
) -> bool:
    """Write a run of unmasked pixels; returns whether some of them need repair."""
    n = total.shape[0]
    for t in range(n):
        flux[t] = total[t] * factor[t]
    for t in range(n):
        var[t] = noise[t] * (factor[t] * factor[t])
    for t in range(n):
        bits[t] = 0
    found = 0
    for t in range(n):
        found |= touched[t]
    return found != 0


@njit(cache=True)
def resample_band(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    bad: np.ndarray,
    touched: np.ndarray,
    nodes: np.ndarray,
    step: float,
    offset_y: float,
    offset_x: float,
    first_line: float,
    own_start: int,
    own_stop: int,
    scale_of_line: np.ndarray,
    scale_of_column: np.ndarray,
    min_good: float,
    correlated: bool,
    flux: np.ndarray,
    var: np.ndarray,
    bits: np.ndarray,
) -> bool:
    """Fill the tile pixels whose nearest line is owned; returns whether there are any."""
    flux[:] = np.nan
    var[:] = np.nan
    bits[:] = _NO_DATA
    written = False
    n, m = image.shape
    ny, nx = flux.shape
    rows, width = nodes.shape[1] - 2, nodes.shape[2]
    row_nodes = np.empty((3, width))
    poly = POLY.astype(np.float32)
    lines, columns, areas = np.empty(nx), np.empty(nx), np.empty(nx)
    base_line, base_column = np.empty(nx, np.int32), np.empty(nx, np.int32)
    frac_line, frac_column = np.empty(nx, np.float32), np.empty(nx, np.float32)
    wl, wc = np.empty((TAPS, _CHUNK), np.float32), np.empty((TAPS, _CHUNK), np.float32)
    wl2, wc2 = np.empty((TAPS, _CHUNK), np.float32), np.empty((TAPS, _CHUNK), np.float32)
    total, noise = np.empty(_CHUNK, np.float32), np.empty(_CHUNK, np.float32)
    factor = np.empty(_CHUNK, np.float32)
    for y in range(ny):
        v = (y + offset_y) / step
        cell = min(max(int(np.floor(v)), 0), rows - 2)
        q0, q1, q2, q3 = _node_weights(v - cell)
        low, high = np.inf, -np.inf
        for g in range(3):
            for j in range(width):
                row_nodes[g, j] = (
                    q0 * nodes[g, cell, j]
                    + q1 * nodes[g, cell + 1, j]
                    + q2 * nodes[g, cell + 2, j]
                    + q3 * nodes[g, cell + 3, j]
                )
        for j in range(width):
            if not np.isnan(row_nodes[0, j]):
                low = min(low, row_nodes[0, j])
                high = max(high, row_nodes[0, j])
        # cubic convolution overshoots the range of its nodes by less than a quarter of it
        slack = 0.25 * (high - low) + 1.0
        if low - slack >= first_line + own_stop or high + slack < first_line + own_start - 1:
            continue
        _fill_row(row_nodes[0], step, offset_x, lines)
        _fill_row(row_nodes[1], step, offset_x, columns)
        _fill_row(row_nodes[2], step, offset_x, areas)
        for x in range(nx):
            # rounding before the window's first line is taken off keeps this free of the window
            line = np.floor(lines[x] * _SNAP + 0.5) / _SNAP - first_line
            column = np.floor(columns[x] * _SNAP + 0.5) / _SNAP
            inside = (
                (line >= own_start - 0.5)
                & (line < own_stop - 0.5)
                & (column >= -0.5)
                & (column < m - 0.5)
            )
            il, ic = np.floor(line), np.floor(column)
            frac_line[x] = np.float32(line - il)
            frac_column[x] = np.float32(column - ic)
            base_line[x] = np.int32(il) if inside else _OUTSIDE
            base_column[x] = np.int32(ic) if inside else _OUTSIDE
        x = 0
        while x < nx:
            il = base_line[x]
            if il == _OUTSIDE:
                x += 1
                continue
            ic = base_column[x]
            count = 1
            limit = min(_CHUNK, nx - x)
            while count < limit and base_line[x + count] == il:
                if base_column[x + count] != ic + count:
                    break
                count += 1
            written = True
            fill_weights(frac_line[x : x + count], count, poly, wl)
            fill_weights(frac_column[x : x + count], count, poly, wc)
            l0, l1 = min(max(il, 0), n - 1), min(il + 1, n - 1)
            usable = _fill_factor(
                areas[x : x + count],
                scale_of_line[l0],
                scale_of_line[l1],
                frac_line[x : x + count],
                scale_of_column,
                ic,
                frac_column[x : x + count],
                factor,
            )
            # the part of the run whose footprints lie wholly in the window
            first, last = 0, 0
            if il >= 2 and il + HALF < n:
                first = min(max(2 - ic, 0), count)
                last = max(min(m - HALF - ic, count), first)
            size = last - first
            repair = size < count
            if size > 0:
                a, b = il - 2, ic + first - 2
                _convolve(image, a, b, first, last, wl, wc, total)
                if correlated:
                    _convolve(variance, a, b, first, last, wl, wc, noise)
                else:
                    for j in range(TAPS):
                        _square(wl[j], wl2[j], count)
                        _square(wc[j], wc2[j], count)
                    _convolve(variance, a, b, first, last, wl2, wc2, noise)
                repair |= _store(
                    total[first:last],
                    noise[first:last],
                    factor[first:last],
                    touched[il, ic + first : ic + last],
                    flux[y, x + first : x + last],
                    var[y, x + first : x + last],
                    bits[y, x + first : x + last],
                )
            if repair:
                for t in range(count):
                    if t < first or t >= last or touched[il, ic + t]:
                        value, spread, found = _resample_pixel(
                            image, variance, mask, bad, il, ic + t, wl, wc, t, min_good, correlated
                        )
                        flux[y, x + t] = np.float32(value) * factor[t]
                        var[y, x + t] = np.float32(spread) * (factor[t] * factor[t])
                        bits[y, x + t] = found
            if not usable:
                for t in range(count):
                    if not (factor[t] > 0 and factor[t] < np.inf):
                        flux[y, x + t] = np.nan
                        var[y, x + t] = np.nan
                        bits[y, x + t] |= _NO_DATA
            x += count
    return written
