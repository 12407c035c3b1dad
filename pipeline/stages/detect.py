"""Find sources: matched filter, peaks, and which peaks are sources of their own.

The image is divided by its background noise and correlated with the local point spread, scaled
so that background noise has unit variance: the value at a pixel is the signal-to-noise of a
star there, the best that a linear filter can do (North 1963, Proc. IEEE 51, 1016, from memory).
A source is a local maximum at or above the threshold. Two maxima of one island are two sources
when the lower one rises far enough above the saddle between them.

Everything that decides about a source is local: a value is a sum over the kernel, a peak compares
with its neighbours, a split depends on the ridge to the next higher peak. So two blocks that
both hold a source and its surroundings find the same source, bit for bit.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.flags import SourceFlag
from pipeline.stages.detect_kernels import (
    find_above,
    find_ascents,
    find_saddles,
    join_basins,
    label_basins,
    sum_pixels,
)
from pipeline.stages.filter_kernels import weights_at
from pipeline.stages.matched_filter import BRIGHT_BITS, filter_image

__all__ = [
    "DetectOptions",
    "Detections",
    "detect",
    "required_halo",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class DetectOptions:
    """Tuning of the detection.

    Attributes
    ----------
    threshold : float
        Least signal-to-noise of a source in the filtered image.
    floor : float
        Islands are followed down to this signal-to-noise.
    prominence : float
        Standard deviations by which a peak must rise above the saddle to a higher peak; the
        star's own photon noise counts.
    contrast : float
        Least relative rise above the saddle, against structure in the wings of bright stars.
    min_weight : float
        Least fraction of the kernel's squared weight that must lie on good pixels.
    shape_radius : int
        Pixels farther than this from the peak do not count for size and shape.
    """

    threshold: float = 5.0
    floor: float = 2.0
    prominence: float = 3.0
    contrast: float = 0.05
    min_weight: float = 0.4
    shape_radius: int = 24

    def __post_init__(self) -> None:
        """Check the values."""
        if not 0 < self.floor <= self.threshold:
            raise ValueError(
                f"floor: must be above 0 and at most the threshold {self.threshold}, "
                f"got {self.floor}"
            )
        for name in ("prominence", "contrast"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name}: must not be negative, got {getattr(self, name)}")
        if not 0 < self.min_weight <= 1:
            raise ValueError(f"min_weight: must be in (0, 1], got {self.min_weight}")
        if self.shape_radius < 1:
            raise ValueError(f"shape_radius: must be at least 1, got {self.shape_radius}")


@dataclass(frozen=True)
class Detections:
    """Sources of a block in order of line, then column.

    Attributes
    ----------
    line, column : ndarray of shape (n,)
        Peak of the filtered image, interpolated; global lines.
    snr : ndarray
        Signal-to-noise at the peak pixel.
    flux, flux_err : ndarray
        Matched-filter flux and its background error, electrons.
    n_pixels : ndarray of int
        Pixels of the source above the floor and within `DetectOptions.shape_radius`.
    mom_ll, mom_lc, mom_cc : ndarray
        Second moments of the light of these pixels about their centroid, px^2; 0 when unresolved.
    peak : ndarray
        Brightest pixel within one pixel of the peak, electrons.
    flags : ndarray of int32
        `SourceFlag`: BLENDED, SATURATED, BAD_PIXELS (near the peak).
    """

    line: FloatArray
    column: FloatArray
    snr: FloatArray
    flux: FloatArray
    flux_err: FloatArray
    n_pixels: NDArray[np.int64]
    mom_ll: FloatArray
    mom_lc: FloatArray
    mom_cc: FloatArray
    peak: FloatArray
    flags: NDArray[np.int32]

    def __len__(self) -> int:
        """Number of sources."""
        return int(self.line.size)

    def select(self, which: ArrayLike) -> "Detections":
        """Sources chosen by a boolean or integer index."""
        index = np.asarray(which)
        return Detections(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def required_halo(options: DetectOptions, *, kernel_half_size: int) -> int:
    """Lines a block needs beyond its own so that its sources do not depend on where it ends.

    A source's own pixels reach `shape_radius`, those of the peak it may be compared with as far
    again, and each pixel needs a kernel. Only islands of light that bridge more than this (the
    largest galaxies, bleeding stars) can differ, and then in size and shape, not in position.

    Parameters
    ----------
    options : DetectOptions
    kernel_half_size : int
        Half size of the kernel along the line.

    Returns
    -------
    int
    """
    return 2 * options.shape_radius + kernel_half_size + 2


def _sort_down(values: NDArray[np.float32]) -> NDArray[np.int64]:
    """Indices of positive values from the largest on, equal ones in their order.

    Bits of positive floats sort like the floats: one key holds value and index, and plain sorting
    is several times faster than an index sort.
    """
    bits = np.uint64(0xFFFFFFFF) - values.view(np.uint32).astype(np.uint64)
    key = np.sort((bits << np.uint64(32)) | np.arange(values.size, dtype=np.uint64))
    return (key & np.uint64(0xFFFFFFFF)).astype(np.int64)


def _vertex(low: FloatArray, mid: FloatArray, high: FloatArray) -> FloatArray:
    """Maximum of the parabola through three points, within half a step; 0 when it has none."""
    curvature = low - 2 * mid + high
    good = np.isfinite(curvature) & (curvature < 0)
    with np.errstate(invalid="ignore"):
        offset = 0.5 * (low - high) / np.where(good, curvature, 1.0)
    return np.where(good, np.clip(offset, -0.5, 0.5), 0.0)


def detect(
    image: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    kernels: ArrayLike,
    *,
    line_group: ArrayLike,
    column_group: ArrayLike,
    first_line: int,
    options: DetectOptions,
) -> Detections:
    """Sources of a block.

    Parameters
    ----------
    image : ndarray of float32, shape (lines, columns)
        Sky-subtracted electrons.
    variance : ndarray of float32
        Variance of the background, smooth, electrons^2.
    mask : ndarray of uint16
        `PixelMask` bits. Saturated and bled pixels find stars and flag them; other bad pixels
        have no weight.
    kernels : array_like of shape (a, b, kl, kc)
        Point spreads of unit flux, one for each pair of line group and column group.
    line_group, column_group : array_like of int, shapes (lines,) and (columns,)
        Kernel of each line and column.
    first_line : int
        Global line of the first row.
    options : DetectOptions

    Returns
    -------
    Detections

    Raises
    ------
    ValueError
        Shapes disagree, or an unmasked pixel is not finite.
    """
    image = np.asarray(image, dtype=np.float32)
    mask = np.asarray(mask, dtype=np.uint16)
    kernels = np.ascontiguousarray(kernels, dtype=np.float32)
    line_group = np.ascontiguousarray(line_group, dtype=np.int64)
    column_group = np.ascontiguousarray(column_group, dtype=np.int64)
    values = filter_image(
        image,
        variance,
        mask,
        kernels,
        line_group=line_group,
        column_group=column_group,
        min_weight=options.min_weight,
    )
    flat = values.ravel()
    above, high, first = find_above(values, np.float32(options.floor))
    ascent = find_ascents(above, first, values)
    top = np.flatnonzero(ascent < 0)
    top = top[_sort_down(high[top])]
    label = label_basins(ascent, top)
    saddle, beside = find_saddles(above, first, values, label)
    order = _sort_down(high[saddle])
    k64 = kernels.astype(float)
    norm = np.sqrt(np.sum(k64**2, axis=(2, 3)))
    light_gain = np.sum(k64**3, axis=(2, 3)) / norm**3
    target, shared = join_basins(
        saddle[order],
        beside[order],
        above,
        high,
        label,
        top,
        np.asarray(variance),
        light_gain,
        line_group,
        column_group,
        options.prominence,
        options.contrast,
    )
    peak = above[top]
    alone = target == np.arange(target.size)
    is_source = alone & (flat[peak] >= options.threshold)
    pixels = np.sort(peak[is_source])
    number = np.full(target.size, -1, dtype=np.int64)
    number[np.flatnonzero(is_source)] = np.searchsorted(pixels, peak[is_source])
    source_of = number[target]
    blended = np.zeros(pixels.size, dtype=bool)
    blended[number[is_source & shared]] = True
    count, sums = sum_pixels(
        above, image, mask, BRIGHT_BITS, label, source_of, pixels, options.shape_radius
    )
    l, c = pixels // image.shape[1], pixels % image.shape[1]
    snr = values[l, c].astype(float)
    d_line = _vertex(_look_up(values, l - 1, c), snr, _look_up(values, l + 1, c))
    d_column = _vertex(_look_up(values, l, c - 1), snr, _look_up(values, l, c + 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_l, mean_c = sums[:, 1] / sums[:, 0], sums[:, 2] / sums[:, 0]
        second = [
            sums[:, 3] / sums[:, 0] - mean_l**2,
            sums[:, 4] / sums[:, 0] - mean_l * mean_c,
            sums[:, 5] / sums[:, 0] - mean_c**2,
        ]
    sizes = [np.where(np.isfinite(m), m, 0.0) for m in second]
    bits, brightest = _near(image, mask, l, c)
    flags = np.where(blended, int(SourceFlag.BLENDED), 0)
    flags |= np.where(bits & BRIGHT_BITS, int(SourceFlag.SATURATED), 0)
    flags |= np.where(bits & ~BRIGHT_BITS, int(SourceFlag.BAD_PIXELS), 0)
    weight = weights_at(kernels, mask, BRIGHT_BITS, line_group, column_group, l, c)
    noise = np.sqrt(np.asarray(variance)[l, c].astype(float)) / np.sqrt(weight)
    return Detections(
        line=(l + first_line) + d_line,
        column=c + d_column,
        snr=snr,
        flux=snr * noise,
        flux_err=noise,
        n_pixels=count,
        mom_ll=sizes[0],
        mom_lc=sizes[1],
        mom_cc=sizes[2],
        peak=brightest,
        flags=flags.astype(np.int32),
    )


def _look_up(values: NDArray[np.float32], l: NDArray[np.int64], c: NDArray[np.int64]) -> FloatArray:
    """Values at pixels; -inf beyond the edges."""
    inside = (l >= 0) & (l < values.shape[0]) & (c >= 0) & (c < values.shape[1])
    found = values[np.where(inside, l, 0), np.where(inside, c, 0)].astype(float)
    return np.where(inside, found, -np.inf)


def _near(
    image: NDArray[np.float32],
    mask: NDArray[np.uint16],
    l: NDArray[np.int64],
    c: NDArray[np.int64],
) -> tuple[NDArray[np.int64], FloatArray]:
    """Mask bits and brightest pixel of the 3 x 3 pixels about each peak."""
    bits = np.zeros(l.size, dtype=np.int64)
    brightest = np.full(l.size, -np.inf)
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            ll = np.clip(l + i, 0, image.shape[0] - 1)
            cc = np.clip(c + j, 0, image.shape[1] - 1)
            bits |= mask[ll, cc].astype(np.int64)
            brightest = np.fmax(brightest, image[ll, cc].astype(float))
    return bits, brightest
