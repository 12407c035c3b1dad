"""The matched filter: signal-to-noise of a star at every pixel of an image with bad pixels."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.flags import PixelMask
from pipeline.stages.correlate_kernels import filter_white
from pipeline.stages.filter_kernels import apply_scale, find_scale, find_touched

__all__ = ["BRIGHT_BITS", "filter_image", "find_without_weight", "make_filter_scale"]

# Pixels still bright where they are masked: they find the star, its flux is flagged.
BRIGHT_BITS = int(PixelMask.SATURATED | PixelMask.BLEED)


def find_without_weight(mask: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Pixels that the filter leaves out.

    Parameters
    ----------
    mask : ndarray of uint16
        `PixelMask` bits.

    Returns
    -------
    ndarray of bool
    """
    return np.asarray((np.asarray(mask) & ~np.uint16(BRIGHT_BITS)) != 0)


def filter_image(
    image: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    kernels: ArrayLike,
    *,
    line_group: ArrayLike,
    column_group: ArrayLike,
    min_weight: float,
    scale: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Signal-to-noise image of the matched filter.

    Parameters
    ----------
    image, variance : ndarray of shape (lines, columns)
        Sky-subtracted electrons and the variance of the background.
    mask : ndarray of uint16
        Bad pixels; saturated and bled ones are used as they are.
    kernels : array_like of shape (a, b, kl, kc)
        Point spreads of unit flux.
    line_group, column_group : array_like of int
        Kernel index of each line and each column.
    min_weight : float
        Least fraction of the kernel's squared weight that must lie on good pixels.
    scale : ndarray of float32, optional
        From `make_filter_scale` for the same mask, kernels, groups and weight, where several
        images are filtered.

    Returns
    -------
    ndarray of float32, shape (lines, columns)
        Unit variance in the background; -inf where the kernel has too few good pixels.
    """
    image = np.asarray(image, dtype=np.float32)
    kernels = np.ascontiguousarray(kernels, dtype=np.float32)
    line_group = np.ascontiguousarray(line_group, dtype=np.int64)
    column_group = np.ascontiguousarray(column_group, dtype=np.int64)
    if image.ndim != 2 or np.shape(variance) != image.shape or np.shape(mask) != image.shape:
        raise ValueError(
            "image, variance, mask: must be two-dimensional and of one shape, got "
            f"{image.shape}, {np.shape(variance)}, {np.shape(mask)}"
        )
    if kernels.ndim != 4 or kernels.shape[2] % 2 == 0 or kernels.shape[3] % 2 == 0:
        raise ValueError(f"kernels: must be (a, b, odd, odd), got {kernels.shape}")
    for name, group, size, count in (
        ("line_group", line_group, image.shape[0], kernels.shape[0]),
        ("column_group", column_group, image.shape[1], kernels.shape[1]),
    ):
        if group.shape != (size,) or np.any((group < 0) | (group >= count)):
            raise ValueError(f"{name}: must be {size} integers from 0 to {count - 1}")
    starts = np.flatnonzero(np.diff(column_group, prepend=-1))
    bad = np.empty(image.shape, dtype=np.bool_)
    out = np.empty(image.shape, dtype=np.float32)
    if not filter_white(
        image,
        np.asarray(variance, dtype=np.float32),
        np.asarray(mask, dtype=np.uint16),
        np.uint16(BRIGHT_BITS),
        kernels,
        line_group,
        np.append(starts, image.shape[1]),
        column_group[starts],
        bad,
        out,
    ):
        raise ValueError("image, variance: must be finite and positive where the mask is clear")
    if scale is not None:
        apply_scale(scale, out)
        return out
    used = np.empty((2, image.shape[1]), dtype=np.float32)  # no array of all lines is kept
    _find_scale(bad, kernels, line_group, column_group, min_weight, used, out)
    return out


def _find_scale(
    bad: NDArray[np.bool_],
    kernels: NDArray[np.float32],
    line_group: NDArray[np.int64],
    column_group: NDArray[np.int64],
    min_weight: float,
    found: NDArray[np.float32],
    values: NDArray[np.float32],
) -> None:
    touched = find_touched(bad, kernels.shape[2] // 2, kernels.shape[3] // 2)
    find_scale(bad, touched, kernels, line_group, column_group, min_weight, found, values)


def make_filter_scale(
    mask: NDArray[np.uint16],
    kernels: ArrayLike,
    *,
    line_group: ArrayLike,
    column_group: ArrayLike,
    min_weight: float,
) -> NDArray[np.float32]:
    """Inverse noise of the matched filter's pixels, for images of one mask.

    Parameters
    ----------
    mask, kernels, line_group, column_group, min_weight
        As in `filter_image`.

    Returns
    -------
    ndarray of float32, shape (lines, columns)
        NaN where too little of the kernel is good.
    """
    found = np.empty(np.shape(mask), dtype=np.float32)
    _find_scale(
        find_without_weight(mask),
        np.ascontiguousarray(kernels, dtype=np.float32),
        np.ascontiguousarray(line_group, dtype=np.int64),
        np.ascontiguousarray(column_group, dtype=np.int64),
        min_weight,
        found,
        np.empty((0, 0), dtype=np.float32),
    )
    return found
