"""Saturated pixels: their neighbours, and the charge that bled along the scan."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.flags import PixelMask
from pipeline.stages.scan_kernels import find_next

__all__ = ["SaturationOptions", "halo_lines", "mark_saturation"]


@dataclass(frozen=True)
class SaturationOptions:
    """How far saturation is spread.

    Parameters
    ----------
    grow_lines, grow_columns : int
        Neighbours of a saturated pixel that become SATURATED with it.
    bleed_run : int
        Saturated pixels on end along the scan from which on charge is taken to have bled.
    bleed_reach : int
        Lines beyond either end of such a run that are followed at most.
    bleed_sigma : float
        Excess, in sigma of the background, down to which they are followed.
    """

    grow_lines: int = 1
    grow_columns: int = 1
    bleed_run: int = 6
    bleed_reach: int = 24
    bleed_sigma: float = 20.0

    def __post_init__(self) -> None:
        for name in ("grow_lines", "grow_columns", "bleed_reach"):
            if getattr(self, name) < 0:
                msg = f"saturation {name} must not be negative, received {getattr(self, name)}"
                raise ValueError(msg)
        if self.bleed_run < 1:
            msg = f"saturation bleed_run must be at least 1, received {self.bleed_run}"
            raise ValueError(msg)
        if not self.bleed_sigma > 0:
            msg = f"saturation bleed_sigma must be positive, received {self.bleed_sigma}"
            raise ValueError(msg)


def halo_lines(options: SaturationOptions) -> int:
    """Lines around a block that decide about its own pixels."""
    return max(options.grow_lines, options.bleed_reach + options.bleed_run)


@njit(cache=True)
def _find_saturated(mask: np.ndarray, saturated: int) -> tuple[np.ndarray, np.ndarray]:
    """Lines and columns of saturated pixels; few lines have any."""
    n_lines, n_columns = mask.shape
    held = np.empty(n_lines, dtype=np.int64)
    for l in range(n_lines):
        row = mask[l]
        number = 0
        for c in range(n_columns):
            number += row[c] & saturated != 0
        held[l] = number
    lines = np.empty(held.sum(), dtype=np.int64)
    columns = np.empty(lines.size, dtype=np.int64)
    full = np.empty(n_columns, dtype=np.uint8)
    n = 0
    for l in range(n_lines):
        if held[l] == 0:
            continue
        row = mask[l]
        for c in range(n_columns):
            full[c] = row[c] & saturated != 0
        c = find_next(full, 0)
        while c < n_columns:
            lines[n], columns[n] = l, c
            n += 1
            c = find_next(full, c + 1)
    return lines, columns


@njit(cache=True)
def _follow(
    lines: np.ndarray,
    columns: np.ndarray,
    excess: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    saturated: int,
    bleed: int,
    run: int,
    reach: int,
    sigma2: float,
) -> None:
    """Ends of long saturated runs, and the charge beyond."""
    n_lines, n_columns = mask.shape
    for n in range(lines.size):
        l, c = lines[n], columns[n]
        for direction in (-1, 1):
            # Only the last pixel of a run looks further.
            end = l + direction
            if 0 <= end < n_lines and mask[end, c] & saturated:
                continue
            length = 1
            k = l - direction
            while 0 <= k < n_lines and length < run and mask[k, c] & saturated:
                length += 1
                k -= direction
            if length < run:
                continue
            for step in range(run):
                i = l - direction * step
                for j in range(max(c - 1, 0), min(c + 2, n_columns)):
                    mask[i, j] |= bleed
            k = end
            steps = 0
            while 0 <= k < n_lines and steps < reach:
                e = excess[k, c]
                if not (e > 0 and e * e > sigma2 * variance[k, c]):
                    break
                for j in range(max(c - 1, 0), min(c + 2, n_columns)):
                    mask[k, j] |= bleed
                k += direction
                steps += 1


@njit(cache=True)
def _runs(
    lines: np.ndarray,
    columns: np.ndarray,
    mask: np.ndarray,
    saturated: int,
    bleed: int,
    run: int,
) -> None:
    """Pixels in the middle of long saturated runs, which no end reached."""
    n_lines, n_columns = mask.shape
    for n in range(lines.size):
        l, c = lines[n], columns[n]
        length = 1
        k = l - 1
        while k >= 0 and length < run and mask[k, c] & saturated:
            length += 1
            k -= 1
        k = l + 1
        while k < n_lines and length < run and mask[k, c] & saturated:
            length += 1
            k += 1
        if length >= run:
            for j in range(max(c - 1, 0), min(c + 2, n_columns)):
                mask[l, j] |= bleed


@njit(cache=True)
def _grow(
    lines: np.ndarray, columns: np.ndarray, mask: np.ndarray, saturated: int, gl: int, gc: int
) -> None:
    n_lines, n_columns = mask.shape
    for n in range(lines.size):
        l, c = lines[n], columns[n]
        for i in range(max(l - gl, 0), min(l + gl + 1, n_lines)):
            for j in range(max(c - gc, 0), min(c + gc + 1, n_columns)):
                mask[i, j] |= saturated


def mark_saturation(
    image_minus_sky: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    *,
    options: SaturationOptions,
) -> None:
    """Grow saturated pixels and mark bleeds, in place.

    A run of at least ``bleed_run`` saturated pixels along the scan is a bleed; beyond its ends the
    column is followed while it stands out. The neighbouring column on either side is marked too.
    What happens further than `halo_lines` away changes nothing.

    Parameters
    ----------
    image_minus_sky, variance : ndarray of float32 of shape (n_lines, n_columns)
        Electrons and electrons^2, background only.
    mask : ndarray of uint16
        With SATURATED set by `calibrate_lines`; SATURATED and BLEED are added.
    options : SaturationOptions
        Tuning.

    Raises
    ------
    ValueError
        If the shapes disagree.
    """
    if not image_minus_sky.shape == variance.shape == mask.shape:
        msg = (
            "image_minus_sky, variance and mask must share their shape, received "
            f"{image_minus_sky.shape}, {variance.shape} and {mask.shape}"
        )
        raise ValueError(msg)
    saturated, bleed = np.uint16(PixelMask.SATURATED), np.uint16(PixelMask.BLEED)
    lines, columns = _find_saturated(mask, saturated)
    _follow(
        lines,
        columns,
        image_minus_sky,
        variance,
        mask,
        saturated,
        bleed,
        options.bleed_run,
        options.bleed_reach,
        np.float32(options.bleed_sigma**2),
    )
    _runs(lines, columns, mask, saturated, bleed, options.bleed_run)
    # Last, for the others tell runs by their saturated pixels.
    _grow(lines, columns, mask, saturated, options.grow_lines, options.grow_columns)
