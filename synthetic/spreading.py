"""Spreading of point charges over pixels with the tabulated profile."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from synthetic.moffat import CORE_RADIUS, PHASES

__all__ = ["HALF_PIXEL", "drop_points", "spread", "spread_wing", "weigh_neighbours"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HALF_PIXEL = PHASES // 2


@njit(cache=True)
def spread(
    image: Floats,
    stamp: Floats,
    line: int,
    column: int,
    weight: float,
    radius: int,
    low: int,
    high: int,
) -> None:
    """Add `weight * stamp` around a pixel (image coordinates), rows low..high-1 only."""
    i0 = max(-radius, low - line)
    i1 = min(radius + 1, high - line)
    j0 = max(-radius, -column)
    j1 = min(radius + 1, image.shape[1] - column)
    for i in range(i0, i1):
        target = image[line + i]
        source = stamp[CORE_RADIUS + i]
        for j in range(j0, j1):
            target[column + j] += weight * source[CORE_RADIUS + j]


@njit(cache=True)
def spread_wing(
    image: Floats,
    line: float,
    column: float,
    second: float,
    weight: float,
    a: float,
    beta: float,
    centre_line: int,
    centre_column: int,
    radius: int,
) -> None:
    """Add the profile outside the core square around a pixel.

    `second` is the mean square extent (both axes together) of the light represented by the point;
    it and the pixel's own extent enter through the Laplacian of the profile.
    """
    norm = (beta - 1.0) / (np.pi * a * a) * weight
    spread = 0.5 * (0.5 * second + 1.0 / 12.0)
    i0 = max(-radius, -centre_line)
    i1 = min(radius + 1, image.shape[0] - centre_line)
    j0 = max(-radius, -centre_column)
    j1 = min(radius + 1, image.shape[1] - centre_column)
    for i in range(i0, i1):
        inside = abs(i) <= CORE_RADIUS
        y = centre_line + i - line
        for j in range(j0, j1):
            if inside and abs(j) <= CORE_RADIUS:
                continue
            x = centre_column + j - column
            r2 = x * x + y * y
            q = 1.0 + r2 / (a * a)
            base = norm * q**-beta
            first = -beta * base / (a * a * q)
            curve = beta * (beta + 1.0) * base / (a * a * q) ** 2
            image[centre_line + i, centre_column + j] += base + spread * 4.0 * (first + r2 * curve)


@njit(cache=True)
def weigh_neighbours(delta: float, out: Floats) -> None:
    """Three-point Lagrange weights: moments 0, 1 and 2 of the point are kept exactly."""
    out[0] = 0.5 * delta * (delta - 1.0)
    out[1] = 1.0 - delta * delta
    out[2] = 0.5 * delta * (delta + 1.0)


@njit(cache=True)
def drop_points(
    image: Floats,
    first_line: int,
    lines: Floats,
    columns: Floats,
    electrons: Floats,
    rungs: Floats,
    low: Ints,
    high: Ints,
    radius: int,
    table: Floats,
) -> None:
    """Spread single sub-steps onto the packets that are on the chip at their moment.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Electrons, added to; its line 0 is `first_line` of the strip.
    first_line : int
        Strip line of image line 0.
    lines, columns, electrons : ndarray of shape (n,)
        Place relative to the packets, strip coordinates, and charge.
    rungs : ndarray of shape (n,)
        Width of the profile as a fractional index into the table.
    low, high : ndarray of shape (n,)
        Half-open range of strip lines that are on the chip at that moment.
    radius : int
        Stamp radius, at most CORE_RADIUS.
    table : ndarray of shape (widths, PHASES, PHASES, size, size)
        Pixel-integrated profiles.
    """
    wl = np.empty(3)
    wc = np.empty(3)
    for n in range(lines.shape[0]):
        fine_l = int(np.rint(lines[n] * PHASES))
        fine_c = int(np.rint(columns[n] * PHASES))
        weigh_neighbours(lines[n] * PHASES - fine_l, wl)
        weigh_neighbours(columns[n] * PHASES - fine_c, wc)
        rung = min(int(rungs[n]), table.shape[0] - 2)
        part = rungs[n] - rung
        clip_low = max(0, low[n] - first_line)
        clip_high = min(image.shape[0], high[n] - first_line)
        for i in range(3):
            il = fine_l + i - 1 + HALF_PIXEL
            line = il // PHASES
            for j in range(3):
                ic = fine_c + j - 1 + HALF_PIXEL
                column = ic // PHASES
                for m in range(2):
                    share = part if m == 1 else 1.0 - part
                    weight = electrons[n] * wl[i] * wc[j] * share
                    if weight == 0.0:
                        continue
                    spread(
                        image,
                        table[rung + m, il - line * PHASES, ic - column * PHASES],
                        line - first_line,
                        column,
                        weight,
                        radius,
                        clip_low,
                        clip_high,
                    )
