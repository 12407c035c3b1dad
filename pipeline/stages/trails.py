"""Trails of satellites and aircraft: long straight lines in a coarse map of significance."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.flags import PixelMask
from pipeline.stages.trail_search import TrailOptions, measure_distance, search_window

__all__ = [
    "BinnedSignificance",
    "Trail",
    "TrailOptions",
    "bin_significance",
    "concatenate_significance",
    "find_trails",
    "mark_trails",
    "mask_trails",
]

_BAND = 64  # lines: a trail covers few of the columns of so many


@dataclass(frozen=True)
class BinnedSignificance:
    """Coarse map of a block or strip.

    Parameters
    ----------
    first_line : int
        Global line of the first cell, a multiple of `step`.
    n_lines : int
        Lines covered.
    step : int
        Pixels per cell in both directions.
    value : ndarray of float32 of shape (ceil(n_lines / step), ceil(n_columns / step))
        Sum of clipped significances over the square root of their number: unit noise. NaN where
        fewer than half the pixels are good.
    """

    first_line: int
    n_lines: int
    step: int
    value: NDArray[np.float32]


@dataclass(frozen=True)
class Trail:
    """A straight trail on the strip.

    Parameters
    ----------
    line0, column0, line1, column1 : float
        Its ends on the global axes, px; column0 <= column1.
    width : float
        Full width to mask, px.
    score : float
        Significance, in sigma of the field's chance alignments.
    """

    line0: float
    column0: float
    line1: float
    column1: float
    width: float
    score: float


@njit(cache=True, error_model="numpy")
def _bin(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    hard: int,
    step: int,
    limit: float,
    out: np.ndarray,
) -> None:
    """Fill in cells; pixels with `hard` bits do not count. A cell's sum has one order."""
    n_lines, n_columns = image.shape
    rows, cells = out.shape
    total = np.empty(cells)
    number = np.empty(cells, dtype=np.int64)
    value = np.zeros(cells * step)
    counts = np.zeros(cells * step, dtype=np.uint8)
    for r in range(rows):
        total[:] = 0.0
        number[:] = 0
        for l in range(r * step, min((r + 1) * step, n_lines)):
            # Pixels that do not count add nothing: without a branch, lines are vectors.
            for c in range(n_columns):
                v = variance[l, c]
                good = (mask[l, c] & hard == 0) & (v > 0)
                z = min(max(image[l, c] / np.sqrt(v), -limit), limit)
                value[c] = z if good else 0.0
                counts[c] = good
            for k in range(cells):
                t = total[k]
                n = 0
                for c in range(k * step, (k + 1) * step):
                    t += value[np.uintp(c)]
                    n += counts[np.uintp(c)]
                total[k] = t
                number[k] += n
        for k in range(cells):
            if number[k] >= 0.5 * step * step:
                out[r, k] = total[k] / np.sqrt(float(number[k]))


def bin_significance(
    image_minus_sky: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    first_line: int,
    *,
    options: TrailOptions,
) -> BinnedSignificance:
    """Coarse map of clipped significance of a block.

    Parameters
    ----------
    image_minus_sky, variance : ndarray of float32 of shape (n_lines, n_columns)
        Electrons and electrons^2.
    mask : ndarray of uint16
        Nonzero pixels do not count, except for bits of RAMP, which hold good data.
    first_line : int
        Global line of the first; a multiple of ``options.step``.
    options : TrailOptions
        Cell size and limit.

    Returns
    -------
    BinnedSignificance

    Raises
    ------
    ValueError
        If shapes disagree or `first_line` does not fit the cells.
    """
    if not image_minus_sky.shape == variance.shape == mask.shape:
        msg = (
            "image_minus_sky, variance and mask must share their shape, received "
            f"{image_minus_sky.shape}, {variance.shape} and {mask.shape}"
        )
        raise ValueError(msg)
    step = options.step
    if first_line % step:
        msg = f"first_line must be a multiple of {step}, received {first_line}"
        raise ValueError(msg)
    n_lines, n_columns = mask.shape
    out = np.full((-(-n_lines // step), -(-n_columns // step)), np.nan, dtype=np.float32)
    hard = np.uint16(0xFFFF ^ int(PixelMask.RAMP))
    _bin(image_minus_sky, variance, mask, hard, step, options.pixel_limit, out)
    return BinnedSignificance(first_line, n_lines, step, out)


def concatenate_significance(parts: Sequence[BinnedSignificance]) -> BinnedSignificance:
    """Maps of consecutive blocks as one.

    Parameters
    ----------
    parts : sequence of BinnedSignificance
        In order.

    Returns
    -------
    BinnedSignificance

    Raises
    ------
    ValueError
        If the list is empty or a part does not continue its predecessor on whole cells.
    """
    if len(parts) == 0:
        msg = "parts must hold at least one BinnedSignificance, received none"
        raise ValueError(msg)
    for before, after in pairwise(parts):
        end = before.first_line + before.n_lines
        if end != after.first_line or end % before.step or before.step != after.step:
            msg = (
                "parts must continue each other on whole cells: "
                f"one ends at {end}, the next begins at {after.first_line}"
            )
            raise ValueError(msg)
    return BinnedSignificance(
        parts[0].first_line,
        sum(p.n_lines for p in parts),
        parts[0].step,
        np.concatenate([p.value for p in parts]),
    )


def find_trails(binned: BinnedSignificance, *, options: TrailOptions) -> tuple[Trail, ...]:
    """Straight trails on a whole strip.

    Windows of twice the chip's width (overlapping by half, counted from the strip's first line)
    are searched by a Hough transform of the significant cells; candidates are refined and tested
    against the lines beside them. Lines along the scan are left to the bleeds.

    Parameters
    ----------
    binned : BinnedSignificance
        Of the whole strip.
    options : TrailOptions
        Tuning.

    Returns
    -------
    tuple of Trail
        In the order of their lines; a trail that two windows saw is given once.
    """
    n_rows, n_cells = binned.value.shape
    height = min(max(2 * n_cells, 64), n_rows) if n_rows else 0
    trails: list[Trail] = []
    step = float(binned.step)
    first = 0
    while height and first < n_rows:
        # The last window keeps its size, so that a short rest is seen in full.
        start = max(min(first, n_rows - height), 0)
        for r0, c0, r1, c1, width, score in search_window(
            binned.value[start : start + height], options
        ):
            ends = [(r0 + start, c0), (r1 + start, c1)]
            ends.sort(key=lambda e: e[1])
            (la, ca), (lb, cb) = ends
            middle = (step - 1.0) / 2.0
            trails.append(
                Trail(
                    binned.first_line + la * step + middle,
                    ca * step + middle,
                    binned.first_line + lb * step + middle,
                    cb * step + middle,
                    width * step + 2.0 * options.margin,
                    score,
                )
            )
        if start + height >= n_rows:
            break
        first += height // 2
    return _merge(trails, 2.0 * step)


def _merge(trails: list[Trail], tolerance: float) -> tuple[Trail, ...]:
    """Join trails that are one: the ends of either lie near the other's line, and they touch."""
    kept: list[Trail] = []
    for trail in sorted(trails, key=lambda t: -np.hypot(t.line1 - t.line0, t.column1 - t.column0)):
        for position, other in enumerate(kept):
            lines = np.array([trail.line0, trail.line1])
            columns = np.array([trail.column0, trail.column1])
            far, t = measure_distance(
                lines, columns, other.line0, other.column0, other.line1, other.column1
            )
            length = float(np.hypot(other.line1 - other.line0, other.column1 - other.column0))
            slack = 10.0 * tolerance
            if (far <= 3.0 * tolerance).all() and t.max() > -slack and t.min() < length + slack:
                l = np.array([other.line0, other.line1, *lines])
                c = np.array([other.column0, other.column1, *columns])
                _, along = measure_distance(
                    l, c, other.line0, other.column0, other.line1, other.column1
                )
                a, b = int(np.argmin(along)), int(np.argmax(along))
                if c[a] > c[b]:
                    a, b = b, a
                kept[position] = Trail(
                    float(l[a]),
                    float(c[a]),
                    float(l[b]),
                    float(c[b]),
                    max(trail.width, other.width),
                    max(trail.score, other.score),
                )
                break
        else:
            kept.append(trail)
    return tuple(sorted(kept, key=lambda t: (min(t.line0, t.line1), t.column0)))


def mask_trails(
    shape: tuple[int, int], first_line: int, trails: Sequence[Trail]
) -> NDArray[np.uint16]:
    """TRAIL bits of a block.

    Parameters
    ----------
    shape : tuple of int
        Lines and columns of the block.
    first_line : int
        Global line of the first.
    trails : sequence of Trail
        Of the whole strip.

    Returns
    -------
    ndarray of uint16 of shape `shape`
        Pixels within half the width of a trail, its ends prolonged by two widths, since the ends
        are known to a cell only.

    Raises
    ------
    ValueError
        If a trail has no length.
    """
    out = np.zeros(shape, dtype=np.uint16)
    mark_trails(out, first_line, trails)
    return out


def mark_trails(mask: NDArray[np.uint16], first_line: int, trails: Sequence[Trail]) -> None:
    """Set the TRAIL bits of a block in place, as of `mask_trails`.

    Parameters
    ----------
    mask : ndarray of uint16 of shape (n_lines, n_columns)
        `PixelMask` bits of the block.
    first_line : int
        Global line of the first.
    trails : sequence of Trail
        Of the whole strip.

    Raises
    ------
    ValueError
        If a trail has no length.
    """
    for trail in trails:
        length = float(np.hypot(trail.line1 - trail.line0, trail.column1 - trail.column0))
        if not length > 0:
            msg = f"a trail must have a length, received {trail}"
            raise ValueError(msg)
        reach = 2.0 * trail.width
        low = int(np.floor(min(trail.line0, trail.line1) - reach)) - first_line
        high = int(np.ceil(max(trail.line0, trail.line1) + reach)) + 1 - first_line
        low, high = max(low, 0), min(high, mask.shape[0])
        if low >= high:
            continue
        for top in range(low, high, _BAND):
            lines = np.arange(top, min(top + _BAND, high)) + first_line
            left, right = _find_columns(trail, float(lines[0]), float(lines[-1]), reach)
            left, right = max(left, 0), min(right, mask.shape[1])
            if left >= right:
                continue
            distance, t = measure_distance(
                lines[:, None], np.arange(left, right)[None, :],
                trail.line0, trail.column0, trail.line1, trail.column1,
            )  # fmt: skip
            inside = (distance <= trail.width / 2.0) & (t >= -reach) & (t <= length + reach)
            mask[top : top + len(lines), left:right][inside] |= np.uint16(PixelMask.TRAIL)


def _find_columns(trail: Trail, first: float, last: float, reach: float) -> tuple[int, int]:
    """Range of columns outside which no pixel of some lines lies under a trail."""
    margin = reach + trail.width
    left = min(trail.column0, trail.column1) - margin
    right = max(trail.column0, trail.column1) + margin
    rise = trail.line1 - trail.line0
    if rise != 0:
        slope = (trail.column1 - trail.column0) / rise
        half = 0.5 * trail.width * float(np.hypot(1.0, slope))  # along a line, not across
        ends = [trail.column0 + (line - trail.line0) * slope for line in (first, last)]
        left, right = max(left, min(ends) - half), min(right, max(ends) + half)
    return int(np.floor(left)) - 1, int(np.ceil(right)) + 2
