"""Compiled parts of the resampling: kernel weights, weighted sums, node interpolation, masks."""

import numpy as np
from numba import njit

from pipeline.stages.resample_repair import CHUNK, HALF, NO_DATA, TAPS, repair_run

__all__ = ["HALF", "POLY", "TAPS", "fill_weights", "find_bad", "find_touched", "resample_band"]

_SNAP = 1048576.0  # positions are rounded to 2**-20 px, so an identity map has weight exactly one
_OUTSIDE = -(2**30)

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


@njit(cache=True, nogil=True)
def find_bad(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    low: int,
    high: int,
) -> np.ndarray:
    """Pixels of the columns low to high (half-open) that must not enter a tile."""
    n, m = image.shape[0], high - low
    bad = np.empty((n, m), np.uint8)
    top = np.float32(np.inf)
    for i in range(n):
        row, v, b, out = image[i, low:high], variance[i, low:high], mask[i, low:high], bad[i]
        for c in range(m):
            good = (b[c] == 0) & (abs(row[c]) < top) & (v[c] > 0) & (v[c] < top)
            out[c] = 1 - good
    return bad


@njit(cache=True, nogil=True)
def find_touched(
    bad: np.ndarray,
) -> np.ndarray:
    """Base pixels whose 6 x 6 footprint holds a bad pixel or leaves the range looked at."""
    n, m = bad.shape
    # Rows of whole words, of which eight pixels are looked at together.
    touched = np.ones((n, -(-m // 8) * 8), np.uint8)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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
    """Weighted sums of the pixels first to last of a chunk, which follow each other on a line.

    All six lines at once, so that a sum stays in a register; weights at constant distances from one
    pointer, so that few pointers are left to be checked for overlap and the loop runs on vectors.
    No operation is fused or reordered: the digits do not depend on the machine.
    """
    n = last - first
    stop = column + n + TAPS - 1
    r0, r1 = image[line, column:stop], image[line + 1, column:stop]
    r2, r3 = image[line + 2, column:stop], image[line + 3, column:stop]
    r4, r5 = image[line + 4, column:stop], image[line + 5, column:stop]
    u, w = wl[first:], wc[first:]
    out = total[first:last]
    for t in range(n):
        a, b, c = w[t], w[CHUNK + t], w[2 * CHUNK + t]
        d, e, f = w[3 * CHUNK + t], w[4 * CHUNK + t], w[5 * CHUNK + t]
        s = u[t] * (
            a * r0[t]
            + b * r0[t + 1]
            + c * r0[t + 2]
            + d * r0[t + 3]
            + e * r0[t + 4]
            + f * r0[t + 5]
        )
        s += u[CHUNK + t] * (
            a * r1[t]
            + b * r1[t + 1]
            + c * r1[t + 2]
            + d * r1[t + 3]
            + e * r1[t + 4]
            + f * r1[t + 5]
        )
        s += u[2 * CHUNK + t] * (
            a * r2[t]
            + b * r2[t + 1]
            + c * r2[t + 2]
            + d * r2[t + 3]
            + e * r2[t + 4]
            + f * r2[t + 5]
        )
        s += u[3 * CHUNK + t] * (
            a * r3[t]
            + b * r3[t + 1]
            + c * r3[t + 2]
            + d * r3[t + 3]
            + e * r3[t + 4]
            + f * r3[t + 5]
        )
        s += u[4 * CHUNK + t] * (
            a * r4[t]
            + b * r4[t + 1]
            + c * r4[t + 2]
            + d * r4[t + 3]
            + e * r4[t + 4]
            + f * r4[t + 5]
        )
        s += u[5 * CHUNK + t] * (
            a * r5[t]
            + b * r5[t + 1]
            + c * r5[t + 2]
            + d * r5[t + 3]
            + e * r5[t + 4]
            + f * r5[t + 5]
        )
        out[t] = s


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
def _cut_cells(
    step: float,
    offset: float,
    starts: np.ndarray,
    fractions: np.ndarray,
) -> None:
    """First tile pixel of each cell of nodes along a row, and every pixel's place in its cell."""
    nx, cells = fractions.shape[0], starts.shape[0] - 1
    x = 0
    for cell in range(cells):
        starts[cell] = x
        stop = nx if cell == cells - 1 else int(np.ceil((cell + 1) * step - offset))
        for t in range(x, min(stop, nx)):
            fractions[t] = (t + offset - cell * step) / step
        x = max(x, min(stop, nx))
    starts[cells] = x


@njit(cache=True)
def _fill_cells(
    nodes: np.ndarray,
    first: int,
    last: int,
    starts: np.ndarray,
    fractions: np.ndarray,
    out: np.ndarray,
) -> None:
    """Cubic convolution of one padded row of nodes at the tile pixels of cells first to last."""
    for cell in range(first, last):
        a, b, c, d = nodes[cell], nodes[cell + 1], nodes[cell + 2], nodes[cell + 3]
        p1 = 0.5 * (c - a)
        p2 = a - 2.5 * b + 2.0 * c - 0.5 * d
        p3 = 0.5 * (d - a) + 1.5 * (b - c)
        s, part = fractions[starts[cell] : starts[cell + 1]], out[starts[cell] : starts[cell + 1]]
        for t in range(part.shape[0]):
            part[t] = b + s[t] * (p1 + s[t] * (p2 + s[t] * p3))


@njit(cache=True)
def _place(
    lines: np.ndarray,
    columns: np.ndarray,
    first_line: float,
    own_start: int,
    own_stop: int,
    n_columns: int,
    base_line: np.ndarray,
    base_column: np.ndarray,
    frac_line: np.ndarray,
    frac_column: np.ndarray,
    breaks: np.ndarray,
) -> None:
    """Pixel at or before each position, and the fraction; OUTSIDE where it is not owned.

    A break is set where a pixel does not follow its predecessor on the same line.
    """
    start, stop, edge = own_start - 0.5, own_stop - 0.5, n_columns - 0.5
    for t in range(lines.shape[0]):
        # rounding before the window's first line is taken off keeps this free of the window
        line = np.floor(lines[t] * _SNAP + 0.5) / _SNAP - first_line
        below = np.floor(line)
        frac_line[t] = np.float32(line - below)
        base_line[t] = np.int32(below) if (line >= start) & (line < stop) else _OUTSIDE
    for t in range(lines.shape[0]):
        column = np.floor(columns[t] * _SNAP + 0.5) / _SNAP
        below = np.floor(column)
        frac_column[t] = np.float32(column - below)
        inside = (column >= -0.5) & (column < edge)
        base_column[t] = np.int32(below) if inside else _OUTSIDE
        base_line[t] = base_line[t] if inside else _OUTSIDE
    for t in range(1, lines.shape[0]):
        breaks[t] = (base_line[t] != base_line[t - 1]) | (base_column[t] != base_column[t - 1] + 1)


@njit(cache=True)
def _find_break(breaks: np.ndarray, words: np.ndarray, start: int, stop: int) -> int:
    """First break from start on, or stop; looks at eight pixels together."""
    t = start
    while t < stop:
        if words[t // 8] == 0:
            t += 8 - t % 8
        elif breaks[t] == 0:
            t += 1
        else:
            break
    return min(t, stop)


@njit(cache=True)
def _may_reach(
    nodes: np.ndarray,
    cell: int,
    low: float,
    high: float,
) -> bool:
    """Whether a cell of a padded row of nodes may have values from low to high; NaN may not."""
    a, b, c, d = nodes[cell], nodes[cell + 1], nodes[cell + 2], nodes[cell + 3]
    least, most = min(a, b, c, d), max(a, b, c, d)
    # cubic convolution overshoots the range of its nodes by less than a quarter of it
    slack = 0.25 * (most - least) + 1.0
    return bool((least - slack < high) & (most + slack >= low))


@njit(cache=True)
def _fill_factor(
    areas: np.ndarray,
    s0: float,
    s1: float,
    fractions_line: np.ndarray,
    scale_of_column: np.ndarray,
    finite: bool,
    ic: int,
    fractions_column: np.ndarray,
    x: int,
    count: int,
    factors: np.ndarray,
) -> bool:
    """Area times scales along a run; returns whether every factor is finite and positive."""
    m = scale_of_column.shape[0]
    area, factor = areas[x : x + count], factors[:count]
    frac_line, frac_column = fractions_line[x : x + count], fractions_column[x : x + count]
    plain = finite and s0 - s0 == 0.0 and s1 - s1 == 0.0
    if plain and ic >= 0 and ic + count < m:
        # nothing that a weight of zero would turn into NaN
        k = scale_of_column[ic : ic + count + 1]
        for t in range(count):
            along = s0 + frac_line[t] * (s1 - s0)
            across = k[t] + frac_column[t] * (k[t + 1] - k[t])
            factor[t] = np.float32(area[t] * along * across)
    else:
        for t in range(count):
            k0 = scale_of_column[min(max(ic + t, 0), m - 1)]
            k1 = scale_of_column[min(ic + t + 1, m - 1)]
            along = s0 + frac_line[t] * (s1 - s0) if frac_line[t] > 0 else s0
            across = k0 + frac_column[t] * (k1 - k0) if frac_column[t] > 0 else k0
            factor[t] = np.float32(area[t] * along * across)
    top = np.float32(np.inf)
    faulty = 0
    for t in range(count):
        faulty += 0 if (factor[t] > 0) & (factor[t] < top) else 1
    return faulty == 0


@njit(cache=True)
def _square(weights: np.ndarray, squares: np.ndarray, n: int) -> None:
    """Squares of the first n of a chunk's weights."""
    for j in range(TAPS):
        source, target = (
            weights[j * CHUNK : j * CHUNK + n],
            squares[j * CHUNK : j * CHUNK + n],
        )
        for t in range(n):
            target[t] = source[t] * source[t]


@njit(cache=True)
def _store(
    totals: np.ndarray,
    noises: np.ndarray,
    first: int,
    last: int,
    factors: np.ndarray,
    skipped: int,
    touched: np.ndarray,
    column: int,
    fluxes: np.ndarray,
    vars_: np.ndarray,
    all_bits: np.ndarray,
    x: int,
) -> bool:
    """Write a run of unmasked pixels; returns whether some of them need repair."""
    n = last - first
    total, noise, factor = totals[first:last], noises[first:last], factors[skipped : skipped + n]
    flux, var, bits = fluxes[x : x + n], vars_[x : x + n], all_bits[x : x + n]
    marks = touched[column : column + n]
    for t in range(n):
        flux[t] = total[t] * factor[t]
        var[t] = noise[t] * (factor[t] * factor[t])
    found = 0
    for t in range(n):
        bits[t] = 0
        found |= marks[t]
    return found != 0


@njit(cache=True, nogil=True)
def resample_band(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    bad: np.ndarray,
    touched: np.ndarray,
    low_column: int,
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
    """Fill the tile pixels whose nearest line is owned; returns whether there are any.

    `bad` and `touched` begin at column `low_column`.
    """
    flux[:] = np.nan
    var[:] = np.nan
    bits[:] = NO_DATA
    written = False
    n, m = image.shape
    words = touched.view(np.uint64)
    ny, nx = flux.shape
    rows, width = nodes.shape[1] - 2, nodes.shape[2]
    row_nodes = np.empty((3, width))
    poly = POLY.astype(np.float32)
    lines, columns, areas = np.empty(nx), np.empty(nx), np.empty(nx)
    base_line, base_column = np.empty(nx, np.int32), np.empty(nx, np.int32)
    frac_line, frac_column = np.empty(nx, np.float32), np.empty(nx, np.float32)
    breaks = np.ones(-(-nx // 8) * 8, np.uint8)
    break_words = breaks.view(np.uint64)
    wl, wc = np.zeros(TAPS * CHUNK, np.float32), np.zeros(TAPS * CHUNK, np.float32)
    wl2, wc2 = np.zeros(TAPS * CHUNK, np.float32), np.zeros(TAPS * CHUNK, np.float32)
    # noise that is correlated over many pixels is interpolated like flux
    vl, vc = (wl, wc) if correlated else (wl2, wc2)
    rows_l, rows_c = wl.reshape(TAPS, CHUNK), wc.reshape(TAPS, CHUNK)
    total, noise = np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32)
    factor = np.empty(CHUNK, np.float32)
    finite = bool(np.isfinite(scale_of_column).all())
    starts, fractions = np.empty(width - 2, np.int64), np.empty(nx)
    _cut_cells(step, offset_x, starts, fractions)
    for y in range(ny):
        v = (y + offset_y) / step
        cell = min(max(int(np.floor(v)), 0), rows - 2)
        q0, q1, q2, q3 = _node_weights(v - cell)
        for g in range(3):
            for j in range(width):
                row_nodes[g, j] = (
                    q0 * nodes[g, cell, j]
                    + q1 * nodes[g, cell + 1, j]
                    + q2 * nodes[g, cell + 2, j]
                    + q3 * nodes[g, cell + 3, j]
                )
        begin, end = width - 3, 0  # cells that may hold pixels of the window
        for i in range(width - 3):
            if _may_reach(
                row_nodes[0], i, first_line + own_start - 1.0, first_line + own_stop
            ) and _may_reach(row_nodes[1], i, -1.0, float(m)):
                begin, end = min(begin, i), i + 1
        if begin >= end:
            continue
        _fill_cells(row_nodes[0], begin, end, starts, fractions, lines)
        _fill_cells(row_nodes[1], begin, end, starts, fractions, columns)
        _fill_cells(row_nodes[2], begin, end, starts, fractions, areas)
        x, stop = starts[begin], starts[end]
        _place(
            lines[x:stop],
            columns[x:stop],
            first_line,
            own_start,
            own_stop,
            m,
            base_line[x:stop],
            base_column[x:stop],
            frac_line[x:stop],
            frac_column[x:stop],
            breaks[x:stop],
        )
        chunk = x  # tile pixel of the first weights; none are made yet
        ready = x
        row_flux, row_var, row_bits = flux[y], var[y], bits[y]
        while x < stop:
            il = base_line[x]
            if il == _OUTSIDE:
                x += 1
                continue
            ic = base_column[x]
            if x >= ready:
                chunk, ready = x, min(x + CHUNK, stop)
                fill_weights(frac_line[chunk:ready], ready - chunk, poly, rows_l)
                fill_weights(frac_column[chunk:ready], ready - chunk, poly, rows_c)
                _square(wl, wl2, ready - chunk)
                _square(wc, wc2, ready - chunk)
            count = _find_break(breaks, break_words, x + 1, ready) - x
            written = True
            l0, l1 = min(max(il, 0), n - 1), min(il + 1, n - 1)
            usable = _fill_factor(
                areas,
                scale_of_line[l0],
                scale_of_line[l1],
                frac_line,
                scale_of_column,
                finite,
                ic,
                frac_column,
                x,
                count,
                factor,
            )
            # the part of the run whose footprints lie wholly in the window
            first, last = 0, 0
            if il >= 2 and il + HALF < n:
                first = min(max(2 - ic, 0), count)
                last = max(min(m - HALF - ic, count), first)
            repair = last - first < count
            at = x - chunk
            if last > first:
                a, b = il - 2, ic + first - 2
                _convolve(image, a, b, at + first, at + last, wl, wc, total)
                _convolve(variance, a, b, at + first, at + last, vl, vc, noise)
                repair |= _store(
                    total,
                    noise,
                    at + first,
                    at + last,
                    factor,
                    first,
                    touched[il],
                    ic - low_column + first,
                    row_flux,
                    row_var,
                    row_bits,
                    x + first,
                )
            if repair:
                repair_run(
                    image,
                    variance,
                    mask,
                    bad,
                    touched,
                    words,
                    low_column,
                    il,
                    ic,
                    first,
                    last,
                    count,
                    wl,
                    wc,
                    at,
                    min_good,
                    correlated,
                    factor,
                    row_flux[x : x + count],
                    row_var[x : x + count],
                    row_bits[x : x + count],
                )
            if not usable:
                for t in range(count):
                    if not (factor[t] > 0 and factor[t] < np.inf):
                        row_flux[x + t] = np.nan
                        row_var[x + t] = np.nan
                        row_bits[x + t] |= NO_DATA
            x += count
    return written
