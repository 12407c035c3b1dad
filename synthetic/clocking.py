"""Charge falls in rows and is clocked: stars followed in sub-steps of every clock period.

Nothing here averages over a crossing by formula. In the clock period that ends with the read of
line k, the rows stand still and charge that falls at height Y joins the packet read as line
k + floor(Y). Relative to the packets a star therefore sits at line k + Y - 1/2 (pixel centres at
integers). Each sub-step is added to a grid of PHASES x PHASES cells per pixel, with the seeing and
the transparency of its moment, and each occupied cell is spread with the pixel-integrated profile.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from synthetic.moffat import CORE_RADIUS, PHASES
from synthetic.spreading import HALF_PIXEL, spread, spread_wing, weigh_neighbours

__all__ = ["TRUTH_COLUMNS", "clock_stars"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TRUTH_COLUMNS = (
    "line",
    "column",
    "exposure",
    "transparency",
    "time",
    "mom_ll",
    "mom_lc",
    "mom_cc",
    "fwhm",
    "column_low",
    "column_high",
    "entry",
)
_N_TRUTH = len(TRUTH_COLUMNS)
# Height (rows) added to the core so that a stamp with its interpolation weights fits on the chip.
_EDGE = CORE_RADIUS + 2.0


@njit(cache=True)
def _evaluate(coefficients: Floats, s: float) -> float:
    value = 0.0
    for n in range(coefficients.shape[0] - 1, -1, -1):
        value = value * s + coefficients[n]
    return value


@njit(cache=True)
def _cross(coefficients: Floats, target: float) -> float:
    """Solve height(s) = target by Newton's method; the height falls steadily."""
    s = 0.0
    for _ in range(8):
        value = 0.0
        slope = 0.0
        for n in range(coefficients.shape[0] - 1, -1, -1):
            slope = slope * s + value
            value = value * s + coefficients[n]
        s -= (value - target) / slope
    return s


@njit(cache=True)
def clock_stars(
    image: Floats,
    first_line: int,
    centre: Floats,
    path_column: Floats,
    path_height: Floats,
    rate: Floats,
    radius: Ints,
    n_stage: int,
    tau: float,
    first_period: int,
    transparency: Floats,
    fwhm: Floats,
    table: Floats,
    log_first: float,
    log_step: float,
    beta: float,
    gauss: Floats,
    gauss_weight: Floats,
) -> Floats:
    """Move stars over the chip, drop their charge, clock it.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Electrons of a chip with response 1, added to; its line 0 is strip line `first_line`.
    first_line : int
        Strip line of image line 0.
    centre : ndarray of shape (n,)
        Time at the middle of each star's polynomial, seconds after line 0.
    path_column, path_height : ndarray of shape (n, order)
        Polynomials in (t - centre) / (n_stage tau).
    rate : ndarray of shape (n,)
        Electrons per second under a clear sky.
    radius : ndarray of shape (n,)
        Stamp radius; beyond CORE_RADIUS the wings are evaluated directly.
    n_stage : int
        Rows that integrate.
    tau : float
        Line period, s.
    first_period : int
        Clock period of element 0 of `transparency` and `fwhm` (px), one value a period.
    transparency, fwhm : ndarray
        Weather of each clock period.
    table, log_first, log_step, beta
        Pixel-integrated profiles and their ladder of widths.
    gauss, gauss_weight : ndarray
        Sub-steps of a clock period as fractions, and their shares.

    Returns
    -------
    ndarray of shape (n, len(TRUTH_COLUMNS))
        What the light did while the star's centre was on the chip and the shutter open.
    """
    n_gauss = gauss.shape[0]
    t0 = n_stage * tau
    truth = np.full((centre.shape[0], _N_TRUTH), np.nan)
    wl = np.empty(3)
    wc = np.empty(3)
    # Whole periods and the cut ones at both ends.
    size = (n_stage + 200) * n_gauss
    b_line = np.empty(size)
    b_column = np.empty(size)
    b_weight = np.empty(size)
    b_rung = np.empty(size)
    b_zone = np.empty(size, dtype=np.int64)
    b_period = np.empty(size, dtype=np.int64)
    for star in range(centre.shape[0]):
        py = path_height[star]
        px = path_column[star]
        t_in = centre[star] + t0 * _cross(py, float(n_stage))
        t_out = centre[star] + t0 * _cross(py, 0.0)
        entry = t_in
        t_in = max(t_in, 0.0)
        # Where the stamp hangs over the first or last row, only the rows on the chip collect.
        start = centre[star] + t0 * _cross(py, n_stage + _EDGE)
        stop = centre[star] + t0 * _cross(py, -_EDGE)
        k0 = max(1, int(np.floor(start / tau)) + 1)
        k1 = int(np.floor(stop / tau)) + 1
        if k1 < k0:
            continue
        if (k1 - k0 + 2) * n_gauss > size:
            size = (k1 - k0 + 2) * n_gauss
            b_line = np.empty(size)
            b_column = np.empty(size)
            b_weight = np.empty(size)
            b_rung = np.empty(size)
            b_zone = np.empty(size, dtype=np.int64)
            b_period = np.empty(size, dtype=np.int64)
        # First pass: where is the star at each sub-step, and how much light arrives.
        count = 0
        sum_w = 0.0
        sum_t = 0.0
        sum_light = 0.0
        sum_f = 0.0
        origin_line = 0.0
        origin_column = 0.0
        s_l = 0.0
        s_c = 0.0
        s_ll = 0.0
        s_lc = 0.0
        s_cc = 0.0
        c_low = np.inf
        c_high = -np.inf
        for k in range(k0, k1 + 1):
            slot = min(max(k - first_period, 0), transparency.shape[0] - 1)
            clear = transparency[slot]
            width = fwhm[slot]
            rung = (np.log(width) - log_first) / log_step
            rung = min(max(rung, 0.0), table.shape[0] - 1.0)
            # While the centre is on the chip: whole periods, and the parts of the first and last.
            part_from = max((k - 1) * tau, t_in)
            part = min(k * tau, t_out) - part_from
            for g in range(n_gauss if part > 0.0 else 0):
                t = part_from + gauss[g] * part
                s = (t - centre[star]) / t0
                line = k + _evaluate(py, s) - 0.5
                x = _evaluate(px, s)
                weight = gauss_weight[g] * part
                light = weight * clear
                if sum_w == 0.0:
                    origin_line = line
                    origin_column = x
                dl = line - origin_line
                dc = x - origin_column
                sum_w += weight
                sum_t += weight * t
                sum_f += weight * width
                sum_light += light
                s_l += light * dl
                s_c += light * dc
                s_ll += light * dl * dl
                s_lc += light * dl * dc
                s_cc += light * dc * dc
                c_low = min(c_low, x)
                c_high = max(c_high, x)
            for g in range(n_gauss):
                t = (k - 1 + gauss[g]) * tau
                s = (t - centre[star]) / t0
                y = _evaluate(py, s)
                if y < -_EDGE or y > n_stage + _EDGE:
                    continue
                b_line[count] = k + y - 0.5
                b_column[count] = _evaluate(px, s)
                b_weight[count] = gauss_weight[g] * tau * clear * rate[star]
                b_rung[count] = rung
                b_period[count] = k
                if y < _EDGE or y > n_stage - _EDGE:
                    b_zone[count] = 1 if 0.0 <= y < n_stage else 2
                else:
                    b_zone[count] = 0
                count += 1
        if sum_w > 0.0:
            exposure = t_out - t_in
            ml = s_l / sum_light
            mc = s_c / sum_light
            truth[star, 0] = origin_line + ml
            truth[star, 1] = origin_column + mc
            truth[star, 2] = exposure
            truth[star, 3] = sum_light / sum_w
            truth[star, 4] = sum_t / sum_w
            truth[star, 5] = s_ll / sum_light - ml * ml
            truth[star, 6] = s_lc / sum_light - ml * mc
            truth[star, 7] = s_cc / sum_light - mc * mc
            truth[star, 8] = sum_f / sum_w
            truth[star, 9] = c_low
            truth[star, 10] = c_high
            truth[star, 11] = entry
        if count == 0:
            continue
        # Second pass: collect the sub-steps in cells, per pair of neighbouring widths.
        lo_l = int(np.floor(b_line[:count].min())) - 2
        lo_c = int(np.floor(b_column[:count].min())) - 2
        n_l = (int(np.floor(b_line[:count].max())) + 3 - lo_l) * PHASES
        n_c = (int(np.floor(b_column[:count].max())) + 3 - lo_c) * PHASES
        lo_r = min(int(b_rung[:count].min()), table.shape[0] - 2)
        n_r = min(int(b_rung[:count].max()), table.shape[0] - 2) + 2 - lo_r
        cells = np.zeros((n_r, n_l, n_c))
        wings = np.zeros((n_l // PHASES, n_c // PHASES, 5))
        has_wings = radius[star] > CORE_RADIUS
        core = min(radius[star], CORE_RADIUS)
        for n in range(count):
            pos_l = (b_line[n] - lo_l) * PHASES
            pos_c = (b_column[n] - lo_c) * PHASES
            fine_l = int(np.rint(pos_l))
            fine_c = int(np.rint(pos_c))
            weigh_neighbours(pos_l - fine_l, wl)
            weigh_neighbours(pos_c - fine_c, wc)
            rung = min(int(b_rung[n]), table.shape[0] - 2)
            part = b_rung[n] - rung
            light = b_weight[n]
            clip_low = max(0, b_period[n] - first_line)
            clip_high = min(image.shape[0], b_period[n] + n_stage - first_line)
            if has_wings and b_zone[n] != 2:
                line = (fine_l + HALF_PIXEL) // PHASES
                column = (fine_c + HALF_PIXEL) // PHASES
                dl = pos_l / PHASES - line
                dc = pos_c / PHASES - column
                wing = wings[line, column]
                wing[0] += light
                wing[1] += light * dl
                wing[2] += light * dc
                wing[3] += light * (dl * dl + dc * dc)
                wing[4] += light * b_rung[n]
            for i in range(3):
                il = fine_l + i - 1
                line = (il + HALF_PIXEL) // PHASES
                for j in range(3):
                    ic = fine_c + j - 1
                    column = (ic + HALF_PIXEL) // PHASES
                    weight = light * wl[i] * wc[j]
                    if b_zone[n] == 0:
                        cells[rung - lo_r, il, ic] += weight * (1.0 - part)
                        cells[rung - lo_r + 1, il, ic] += weight * part
                        continue
                    for m in range(2):
                        share = part if m == 1 else 1.0 - part
                        spread(
                            image,
                            table[
                                rung + m,
                                il + HALF_PIXEL - line * PHASES,
                                ic + HALF_PIXEL - column * PHASES,
                            ],
                            line + lo_l - first_line,
                            column + lo_c,
                            weight * share,
                            core,
                            clip_low,
                            clip_high,
                        )
        # Third pass: spread every occupied cell.
        for r in range(n_r):
            for il in range(n_l):
                line = (il + HALF_PIXEL) // PHASES
                for ic in range(n_c):
                    weight = cells[r, il, ic]
                    if weight == 0.0:
                        continue
                    column = (ic + HALF_PIXEL) // PHASES
                    spread(
                        image,
                        table[
                            lo_r + r,
                            il + HALF_PIXEL - line * PHASES,
                            ic + HALF_PIXEL - column * PHASES,
                        ],
                        line + lo_l - first_line,
                        column + lo_c,
                        weight,
                        core,
                        0,
                        image.shape[0],
                    )
        if has_wings:
            for i in range(wings.shape[0]):
                for j in range(wings.shape[1]):
                    weight = wings[i, j, 0]
                    if weight == 0.0:
                        continue
                    at_l = wings[i, j, 1] / weight
                    at_c = wings[i, j, 2] / weight
                    second = wings[i, j, 3] / weight - at_l * at_l - at_c * at_c
                    width = np.exp(log_first + log_step * wings[i, j, 4] / weight)
                    a = width / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
                    spread_wing(
                        image,
                        at_l + i + lo_l - first_line,
                        at_c + j + lo_c,
                        second,
                        weight,
                        a,
                        beta,
                        i + lo_l - first_line,
                        j + lo_c,
                        radius[star],
                    )
    return truth
