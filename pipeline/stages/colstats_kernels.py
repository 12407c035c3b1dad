"""Compiled loops of the column summary: every pass runs over lines, with columns side by side."""

import numpy as np
from numba import njit

from pipeline.stages.overscan import SUB_BIN

__all__ = ["LINE_BIN", "SUBS", "summarise"]

LINE_BIN = 256  # lines of one bin; counted from line 0 of the strip
SUBS = LINE_BIN // SUB_BIN

_CHUNK = 128  # columns worked on at once: a bin of them fits the second-level cache
_SQRT_PI_2 = 0.8862269254527580  # sqrt(pi)/2: sigma over mean |difference| of two Gaussians


@njit(cache=True)
def _fill(
    raw: np.ndarray,
    sub_level: np.ndarray,
    lines: np.ndarray,
    gains: np.ndarray,
    amps: np.ndarray,
    columns: np.ndarray,
    c0: int,
    c1: int,
    bin_start: int,
    x: np.ndarray,
) -> None:
    """Copy a bin's chunk of chip columns, less overscan, in electrons, into x."""
    for i in range(len(lines)):
        line = lines[i]
        sub = (line - bin_start) // SUB_BIN
        for c in range(c0, c1):
            a = amps[c]
            x[i, c - c0] = gains[a] * (np.float32(raw[line, columns[c]]) - sub_level[sub, a])


@njit(cache=True)
def _sub_means(
    x: np.ndarray,
    lines: np.ndarray,
    bin_start: int,
    width: int,
    mean: np.ndarray,
    diff: np.ndarray,
    number: np.ndarray,
) -> None:
    """Mean level and mean |difference of adjacent lines| of the sub-bins of each column."""
    mean[:] = 0.0
    diff[:] = 0.0
    number[:] = 0
    for i in range(len(lines)):
        s = (lines[i] - bin_start) // SUB_BIN
        row = x[i]
        total = mean[s]
        for c in range(width):
            total[c] += row[c]
        if number[s] > 0:
            before = x[i - 1]
            change = diff[s]
            for c in range(width):
                change[c] += abs(row[c] - before[c])
        number[s] += 1
    for s in range(len(number)):
        if number[s] > 0:
            for c in range(width):
                mean[s, c] /= np.float32(number[s])
        if number[s] > 1:
            for c in range(width):
                diff[s, c] /= np.float32(number[s] - 1)


@njit(cache=True)
def _start(
    mean: np.ndarray,
    diff: np.ndarray,
    number: np.ndarray,
    width: int,
    centre: np.ndarray,
    sigma: np.ndarray,
) -> None:
    """First guess: the third of eight in rising order of the sub-bins' means and differences.

    A star fills one or two sub-bins of a column; a low order statistic passes it by.
    """
    a = np.empty(len(number), dtype=np.float32)
    b = np.empty(len(number), dtype=np.float32)
    for c in range(width):
        n = 0
        for s in range(len(number)):
            if number[s] >= 8:
                a[n] = mean[s, c]
                b[n] = diff[s, c]
                n += 1
        if n == 0:
            for s in range(len(number)):
                if number[s] > 1:
                    a[n] = mean[s, c]
                    b[n] = diff[s, c]
                    n += 1
        if n == 0:
            centre[c] = np.float32(0.0)
            sigma[c] = np.float32(0.0)
            continue
        for i in range(1, n):  # insertion sort of at most eight
            va = a[i]
            vb = b[i]
            j = i - 1
            while j >= 0 and a[j] > va:
                a[j + 1] = a[j]
                j -= 1
            a[j + 1] = va
            j = i - 1
            while j >= 0 and b[j] > vb:
                b[j + 1] = b[j]
                j -= 1
            b[j + 1] = vb
        k = (3 * n) // 8
        centre[c] = a[k]
        sigma[c] = b[k] * np.float32(_SQRT_PI_2)


@njit(cache=True)
def _clip_pass(
    x: np.ndarray,
    w: np.ndarray,
    n: int,
    width: int,
    centre: np.ndarray,
    sigma: np.ndarray,
    clip: float,
    floor: np.ndarray,
    keep: float,
    s0: np.ndarray,
    s1: np.ndarray,
    s2: np.ndarray,
) -> None:
    """One clipping pass over all lines of a chunk: updates centre and sigma in place."""
    lo = np.empty(width, dtype=np.float32)
    hi = np.empty(width, dtype=np.float32)
    for c in range(width):
        lo[c] = -clip * sigma[c]
        hi[c] = clip * sigma[c]
        s0[c] = 0.0
        s1[c] = 0.0
        s2[c] = 0.0
    for i in range(n):
        row = x[i]
        weight = w[i]
        for c in range(width):
            d = row[c] - centre[c]
            u = weight[c] if (d >= lo[c] and d <= hi[c]) else np.float32(0.0)
            s0[c] += u
            s1[c] += u * d
            s2[c] += u * d * d
    for c in range(width):
        if s0[c] > 1.5:
            m = s1[c] / s0[c]
            v = (s2[c] / s0[c] - m * m) * s0[c] / (s0[c] - np.float32(1.0)) / keep
            centre[c] += m
            sigma[c] = max(np.sqrt(max(v, np.float32(0.0))), floor[c])


@njit(cache=True)
def _mark_stars(
    x: np.ndarray,
    w: np.ndarray,
    n: int,
    width: int,
    centre: np.ndarray,
    sigma: np.ndarray,
    star: float,
    grow: int,
    run: np.ndarray,
) -> None:
    """Zero the weight of star pixels and of `grow` lines on either side."""
    zero = np.float32(0.0)
    one = np.float32(1.0)
    reach = np.float32(grow + 1)
    run[:] = zero
    for i in range(n):
        row = x[i]
        weight = w[i]
        for c in range(width):
            r = max(run[c] - one, zero)
            r = reach if row[c] - centre[c] > star * sigma[c] else r
            run[c] = r
            weight[c] = zero if r > zero else weight[c]
    run[:] = zero
    for k in range(n):
        i = n - 1 - k
        row = x[i]
        weight = w[i]
        for c in range(width):
            r = max(run[c] - one, zero)
            r = reach if row[c] - centre[c] > star * sigma[c] else r
            run[c] = r
            weight[c] = zero if r > zero else weight[c]


@njit(cache=True)
def _final(
    x: np.ndarray,
    w: np.ndarray,
    lines: np.ndarray,
    width: int,
    centre: np.ndarray,
    sigma: np.ndarray,
    clip: float,
    s0: np.ndarray,
    s1: np.ndarray,
    p0: np.ndarray,
    p2: np.ndarray,
) -> None:
    """Sums of the accepted pixels and of the differences of accepted adjacent lines."""
    lo = np.empty(width, dtype=np.float32)
    hi = np.empty(width, dtype=np.float32)
    last = np.zeros(width, dtype=np.float32)
    for c in range(width):
        lo[c] = -clip * sigma[c]
        hi[c] = clip * sigma[c]
        s0[c] = 0.0
        s1[c] = 0.0
        p0[c] = 0.0
        p2[c] = 0.0
    zero = np.float32(0.0)
    for i in range(len(lines)):
        row = x[i]
        weight = w[i]
        near = np.float32(1.0) if i > 0 and lines[i] == lines[i - 1] + 1 else zero
        before = x[max(i - 1, 0)]
        for c in range(width):
            d = row[c] - centre[c]
            u = weight[c] if (d >= lo[c] and d <= hi[c]) else zero
            s0[c] += u
            s1[c] += u * d
            pair = u * last[c] * near
            e = row[c] - before[c]
            p0[c] += pair
            p2[c] += pair * e * e
            last[c] = u


@njit(cache=True)
def _measure_slopes(
    raw: np.ndarray,
    sub_level: np.ndarray,
    lines: np.ndarray,
    gains: np.ndarray,
    amps: np.ndarray,
    columns: np.ndarray,
    bin_start: int,
    n_amp: int,
) -> np.ndarray:
    """Slope of the sky along a bin, per amplifier: fit to medians over columns of sub-bin means.

    The median over columns of (sub-bin mean - column mean) passes stars by. Every fourth column
    suffices. Electrons per line.
    """
    slopes = np.zeros(n_amp, dtype=np.float32)
    n_lines = len(lines)
    middle = 0.0
    for i in range(n_lines):
        middle += lines[i]
    middle /= n_lines
    for a in range(n_amp):
        chosen = np.empty(len(columns), dtype=np.int64)
        m = 0
        k = 0
        for c in range(len(columns)):
            if amps[c] == a:
                if k % 4 == 0:
                    chosen[m] = columns[c]
                    m += 1
                k += 1
        if m < 8:
            continue
        means = np.zeros((SUBS, m), dtype=np.float32)
        number = np.zeros(SUBS, dtype=np.int64)
        where = np.zeros(SUBS)
        for i in range(n_lines):
            line = lines[i]
            s = (line - bin_start) // SUB_BIN
            number[s] += 1
            where[s] += line - middle
            level = sub_level[s, a]
            row = raw[line]
            total = means[s]
            for j in range(m):
                total[j] += np.float32(row[chosen[j]]) - level
        # A low order statistic over sub-bins is each column's reference, so a star shifts nothing.
        for s in range(SUBS):
            if number[s] > 0:
                where[s] /= number[s]
                for j in range(m):
                    means[s, j] /= np.float32(number[s])
        reference = np.empty(m, dtype=np.float32)
        full = 0
        for s in range(SUBS):
            if number[s] >= 8:
                full += 1
        if full < 3:
            continue
        few = np.empty(full, dtype=np.float32)
        for j in range(m):
            k = 0
            for s in range(SUBS):
                if number[s] >= 8:
                    few[k] = means[s, j]
                    k += 1
            few.sort()
            reference[j] = few[full // 2]
        sw = 0.0
        sx = 0.0
        sy = 0.0
        sxx = 0.0
        sxy = 0.0
        for s in range(SUBS):
            if number[s] >= 8:
                y = float(np.median(means[s] - reference)) * gains[a]
                weight = float(number[s])
                sw += weight
                sx += weight * where[s]
                sy += weight * y
                sxx += weight * where[s] * where[s]
                sxy += weight * where[s] * y
        determinant = sw * sxx - sx * sx
        if determinant > 0.0:
            slopes[a] = np.float32((sw * sxy - sx * sy) / determinant)
    return slopes


@njit(cache=True)
def summarise(
    raw: np.ndarray,
    missing: np.ndarray,
    sub_level: np.ndarray,
    gains: np.ndarray,
    floors: np.ndarray,
    amps: np.ndarray,
    columns: np.ndarray,
    clip: float,
    star: float,
    grow: int,
    iterations: int,
    min_lines: int,
    keep: float,
    line: np.ndarray,
    present: np.ndarray,
    level: np.ndarray,
    level_err: np.ndarray,
    noise_var: np.ndarray,
    count: np.ndarray,
) -> None:
    """Summarise all bins of a block into the last six arrays (see `summarise_columns`)."""
    n_lines = raw.shape[0]
    n_columns = len(columns)
    n_bins = len(line)
    x = np.empty((LINE_BIN, _CHUNK), dtype=np.float32)
    w = np.empty((LINE_BIN, _CHUNK), dtype=np.float32)
    mean = np.empty((SUBS, _CHUNK), dtype=np.float32)
    diff = np.empty((SUBS, _CHUNK), dtype=np.float32)
    number = np.empty(SUBS, dtype=np.int64)
    centre = np.empty(_CHUNK, dtype=np.float32)
    sigma = np.empty(_CHUNK, dtype=np.float32)
    floor = np.empty(_CHUNK, dtype=np.float32)
    tilt = np.empty(_CHUNK, dtype=np.float32)
    s0 = np.empty(_CHUNK, dtype=np.float32)
    s1 = np.empty(_CHUNK, dtype=np.float32)
    s2 = np.empty(_CHUNK, dtype=np.float32)
    p0 = np.empty(_CHUNK, dtype=np.float32)
    p2 = np.empty(_CHUNK, dtype=np.float32)
    lines = np.empty(LINE_BIN, dtype=np.int64)
    for b in range(n_bins):
        start = b * LINE_BIN
        stop = min(start + LINE_BIN, n_lines)
        n = 0
        middle = 0.0
        for l in range(start, stop):
            if not missing[l]:
                lines[n] = l
                middle += l
                n += 1
        present[b] = n
        if n == 0:
            line[b] = 0.5 * (start + stop - 1)
            continue
        middle /= n
        line[b] = middle
        if n < min_lines:
            continue
        here = lines[:n]
        levels = sub_level[b * SUBS : (b + 1) * SUBS]
        slopes = _measure_slopes(raw, levels, here, gains, amps, columns, start, len(gains))
        for c0 in range(0, n_columns, _CHUNK):
            c1 = min(c0 + _CHUNK, n_columns)
            width = c1 - c0
            _fill(raw, levels, here, gains, amps, columns, c0, c1, start, x)
            for c in range(width):
                tilt[c] = slopes[amps[c0 + c]]
                floor[c] = floors[amps[c0 + c]]
            for i in range(n):
                off = np.float32(here[i] - middle)
                for c in range(width):
                    x[i, c] -= tilt[c] * off
                    w[i, c] = np.float32(1.0)
            _sub_means(x, here, start, width, mean, diff, number)
            _start(mean, diff, number, width, centre, sigma)
            for c in range(width):
                sigma[c] = max(sigma[c], floor[c])
            for k in range(iterations):
                if k == 2:
                    _mark_stars(x, w, n, width, centre, sigma, star, grow, s0)
                _clip_pass(x, w, n, width, centre, sigma, clip, floor, keep, s0, s1, s2)
            _final(x, w, here, width, centre, sigma, clip, s0, s1, p0, p2)
            for c in range(width):
                if s0[c] < min_lines / 2 or p0[c] < 2:
                    continue
                variance = p2[c] / p0[c] / np.float32(2.0) / keep
                level[b, c0 + c] = centre[c] + s1[c] / s0[c]
                noise_var[b, c0 + c] = variance
                least = max(variance, floor[c] * floor[c])
                level_err[b, c0 + c] = np.sqrt(least / (s0[c] * keep))
                count[b, c0 + c] = np.int16(s0[c])
