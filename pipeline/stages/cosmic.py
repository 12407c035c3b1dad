"""Cosmic rays: pixels sharper than the predicted point spread lets any star be."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.flags import PixelMask
from pipeline.stages.scan_kernels import find_next

__all__ = [
    "CosmicLimits",
    "CosmicOptions",
    "find_cosmic_rays",
    "find_sharp",
    "halo_lines",
    "make_limits",
    "mark_cosmic_rays",
]

_HIT = np.uint16(PixelMask.COSMIC_RAY)
_BLOCKED = np.uint16(PixelMask.SATURATED | PixelMask.BLEED)
_SKIPPED = np.uint16(
    PixelMask.DEAD
    | PixelMask.HOT
    | PixelMask.NOISY
    | PixelMask.NONLINEAR
    | PixelMask.TRAP
    | PixelMask.NO_DATA
)
_HARD = np.uint16(_BLOCKED | _SKIPPED)


@dataclass(frozen=True)
class CosmicOptions:
    """How sharp is too sharp.

    Parameters
    ----------
    threshold : float
        Only pixels this many sigma above the sky are examined.
    contrast : float
        Sigma by which a pixel must stand out beyond what a star at its sharpest would, for a
        point spread at the edge of undersampling (neighbours at 0.45 of the peak). Where stars
        are blunter, hits stand out more and stars cover more pixels: the limit rises with the
        neighbours' share.
    margin : float
        Sharpest star allowed: its widths over the predicted ones.
    grow_sigma, grow_contrast : float
        Lower limits of both kinds for neighbours of a hit.
    grow_steps : int
        Pixels along a track that growth may walk.
    """

    threshold: float = 5.0
    contrast: float = 3.5
    margin: float = 0.85
    grow_sigma: float = 3.0
    grow_contrast: float = 1.5
    grow_steps: int = 6

    def __post_init__(self) -> None:
        for name in ("threshold", "contrast", "margin", "grow_sigma", "grow_contrast"):
            if not getattr(self, name) > 0:
                msg = f"cosmic {name} must be positive, received {getattr(self, name)}"
                raise ValueError(msg)
        if self.grow_steps < 0:
            msg = f"cosmic grow_steps must not be negative, received {self.grow_steps}"
            raise ValueError(msg)


def halo_lines(options: CosmicOptions) -> int:
    """Lines around a block that decide about its own pixels."""
    return options.grow_steps + 2


class CosmicLimits(NamedTuple):
    """`CosmicOptions` as the compiled functions take them.

    Parameters
    ----------
    ratio_line, ratio_column : ndarray of float32 of shape (n_columns,)
        Least share of a star's pixel that its two neighbours on an axis have on average.
    least : ndarray of float64 of shape (n_columns,)
        Contrast that a hit exceeds.
    threshold2, grow2 : float32
        Squares of the limits in sigma.
    grow_contrast, grow_steps : float, int
        As of `CosmicOptions`.
    """

    ratio_line: np.ndarray
    ratio_column: np.ndarray
    least: np.ndarray
    threshold2: np.float32
    grow2: np.float32
    grow_contrast: float
    grow_steps: int


@njit(cache=True)
def _contrast(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    l: int,
    c: int,
    limits: CosmicLimits,
) -> float:
    """Largest excess, in sigma, over what a star's pixel may have above its neighbours.

    For a star of Gaussian width s centred anywhere, the mean of the two neighbours on an axis is
    at least exp(-1/(2 s^2)) of the pixel: (n1 + n2)/2 = p exp(-1/(2 s^2)) cosh(d/s^2).
    """
    n_lines, n_columns = image.shape
    ratio_l, ratio_c = limits.ratio_line[c], limits.ratio_column[c]
    p = image[l, c]
    along = 0.0
    across = 0.0
    has_along = False
    has_across = False
    if 0 < l < n_lines - 1:
        seen = mask[l - 1, c] | mask[l + 1, c]
        if seen & _BLOCKED:
            return 0.0
        if not seen & _SKIPPED:
            along = ratio_l * p - 0.5 * (image[l - 1, c] + image[l + 1, c])
            has_along = True
    if 0 < c < n_columns - 1:
        seen = mask[l, c - 1] | mask[l, c + 1]
        if seen & _BLOCKED:
            return 0.0
        if not seen & _SKIPPED:
            across = ratio_c * p - 0.5 * (image[l, c - 1] + image[l, c + 1])
            has_across = True
    # Most pixels are blunter than the sharpest star: their noise is of no concern.
    if along <= 0.0 and across <= 0.0:
        return 0.0
    zero = np.float32(0.0)
    v = variance[l, c] + max(p, zero)
    along_var = 0.0
    across_var = 0.0
    best = 0.0
    if has_along:
        light = max(image[l - 1, c], zero) + max(image[l + 1, c], zero)
        along_var = 0.25 * (variance[l - 1, c] + variance[l + 1, c] + light)
        best = max(best, along / np.sqrt(ratio_l * ratio_l * v + along_var))
    if has_across:
        light = max(image[l, c - 1], zero) + max(image[l, c + 1], zero)
        across_var = 0.25 * (variance[l, c - 1] + variance[l, c + 1] + light)
        best = max(best, across / np.sqrt(ratio_c * ratio_c * v + across_var))
    if has_along and has_across:
        both = ratio_l + ratio_c
        best = max(best, (along + across) / np.sqrt(both * both * v + along_var + across_var))
    return best


@njit(cache=True)
def _is_sharp(
    image: np.ndarray, variance: np.ndarray, mask: np.ndarray, l: int, c: int, limits: CosmicLimits
) -> bool:
    p = image[l, c]
    if mask[l, c] & _HARD or not p > np.float32(0.0):
        return False
    if not p * p > limits.threshold2 * variance[l, c]:
        return False
    return _contrast(image, variance, mask, l, c, limits) > limits.least[c]


@njit(cache=True)
def find_sharp(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    l: int,
    limits: CosmicLimits,
    likely: np.ndarray,
    sharp: list,
) -> None:
    """Add places, ``line * n_columns + column``, of a line's pixels that no star can be.

    The lines before and after decide too. `likely` is room for a line of bytes.
    """
    n_lines, n_columns = image.shape
    row, noise, bits = image[l], variance[l], mask[l]
    before, after = image[max(l - 1, 0)], image[min(l + 1, n_lines - 1)]
    ratio_l, ratio_c = limits.ratio_line, limits.ratio_column
    half = np.float32(0.5)
    # Few pixels are bright, and few of these stand out on an axis: the whole line is compared at
    # once, then only they are visited.
    for c in range(1, n_columns - 1):
        p = row[c]
        bright = (p > np.float32(0.0)) & (p * p > limits.threshold2 * noise[c])
        along = ratio_l[c] * p <= half * (before[c] + after[c])
        across = ratio_c[c] * p <= half * (row[c - 1] + row[c + 1])
        likely[c] = bright & (bits[c] & _HARD == 0) & (not (along & across))
    likely[0] = likely[n_columns - 1] = True  # they have one neighbour
    c = find_next(likely, 0)
    while c < n_columns:
        if _is_sharp(image, variance, mask, l, c, limits):
            sharp.append(l * n_columns + c)
        c = find_next(likely, c + 1)


@njit(cache=True)
def _find(
    image: np.ndarray, variance: np.ndarray, mask: np.ndarray, limits: CosmicLimits
) -> np.ndarray:
    sharp = [0 for _ in range(0)]
    likely = np.empty(image.shape[1], dtype=np.uint8)
    for l in range(image.shape[0]):
        find_sharp(image, variance, mask, l, limits, likely, sharp)
    return np.array(sharp)


@njit(cache=True)
def _grow(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    sharp: np.ndarray,
    limits: CosmicLimits,
) -> None:
    n_lines, n_columns = image.shape
    seeds = [0 for _ in range(0)]
    for place in sharp:
        l, c = place // n_columns, place % n_columns
        if _is_sharp(image, variance, mask, l, c, limits):
            mask[l, c] |= _HIT  # no bit that the others' sharpness depends on
            seeds.append(place)
    first = 0
    for step in range(limits.grow_steps):
        last = len(seeds)
        if first == last:
            break
        for k in range(first, last):
            l0, c0 = seeds[k] // n_columns, seeds[k] % n_columns
            for l in range(max(l0 - 1, 0), min(l0 + 2, n_lines)):
                for c in range(max(c0 - 1, 0), min(c0 + 2, n_columns)):
                    if mask[l, c] & (_HARD | _HIT):
                        continue
                    p = image[l, c]
                    if not (p > np.float32(0.0) and p * p > limits.grow2 * variance[l, c]):
                        continue
                    side = (l == l0) or (c == c0)
                    # Spilled charge next to a hit is fainter than the hit itself.
                    spill = step == 0 and side and p < image[l0, c0]
                    if spill or (
                        _contrast(image, variance, mask, l, c, limits) > limits.grow_contrast
                    ):
                        mask[l, c] |= _HIT
                        seeds.append(l * n_columns + c)
        first = last


def _sharpest(
    sigma: float | NDArray[np.floating], margin: float, n_columns: int, name: str
) -> NDArray:
    """Least share of a star's pixel that its two neighbours on an axis have on average."""
    s = np.asarray(sigma, dtype=np.float64)
    if s.ndim > 1 or (s.ndim == 1 and s.shape != (n_columns,)):
        msg = f"{name} must be a number or ({n_columns},), received shape {s.shape}"
        raise ValueError(msg)
    if not (np.isfinite(s).all() and (s > 0).all()):
        msg = f"{name} must be finite and positive, received {s.min():g}"
        raise ValueError(msg)
    ratio = np.exp(-0.5 / (margin * s) ** 2).astype(np.float32)
    return np.broadcast_to(ratio, (n_columns,)).copy()


def make_limits(
    psf_sigma_line: float | NDArray[np.floating],
    psf_sigma_column: float | NDArray[np.floating],
    n_columns: int,
    *,
    options: CosmicOptions,
) -> CosmicLimits:
    """Limits of every column.

    Parameters
    ----------
    psf_sigma_line, psf_sigma_column, options
        As of `find_cosmic_rays`.
    n_columns : int
        Chip columns.

    Returns
    -------
    CosmicLimits

    Raises
    ------
    ValueError
        If a width is not positive or their number is another.
    """
    line = _sharpest(psf_sigma_line, options.margin, n_columns, "psf_sigma_line")
    column = _sharpest(psf_sigma_column, options.margin, n_columns, "psf_sigma_column")
    blunt = np.maximum(0.0, 0.5 * (line + column).astype(np.float64) - np.float32(0.45))
    return CosmicLimits(
        ratio_line=line,
        ratio_column=column,
        least=options.contrast * (1.0 + blunt),
        threshold2=np.float32(options.threshold**2),
        grow2=np.float32(options.grow_sigma**2),
        grow_contrast=options.grow_contrast,
        grow_steps=options.grow_steps,
    )


def mark_cosmic_rays(
    image_minus_sky: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    sharp: NDArray[np.int64],
    limits: CosmicLimits,
) -> None:
    """Set COSMIC_RAY, in place, where sharp pixels stand and along their tracks.

    Parameters
    ----------
    image_minus_sky, variance, mask
        As of `find_cosmic_rays`, contiguous.
    sharp : ndarray of int64
        Places, ``line * n_columns + column``, of `find_sharp` on this mask or on one that had not
        all its saturated pixels and bleeds yet: those that these rule out are left out here.
    limits : CosmicLimits
        From `make_limits`.
    """
    _grow(image_minus_sky, variance, mask, sharp, limits)


def find_cosmic_rays(
    image_minus_sky: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    psf_sigma_line: float | NDArray[np.floating],
    psf_sigma_column: float | NDArray[np.floating],
    *,
    options: CosmicOptions,
) -> NDArray[np.bool_]:
    """Pixels hit by cosmic rays.

    A star is at least as wide as seeing, smear and clocking make it. A pixel whose neighbours on
    either axis, or on both together, hold less than the sharpest star allowed would give them is
    no star. Growth follows a track through neighbours that pass lower limits; side neighbours of
    a hit need only stand out. Pixels with SATURATED or BLEED neighbours are never examined.

    Parameters
    ----------
    image_minus_sky, variance : ndarray of float32 of shape (n_lines, n_columns)
        Electrons for a response of 1 and electrons^2, background only: star light adds its own
        variance here.
    mask : ndarray of uint16
        `PixelMask` bits; masked pixels are neither examined nor used as neighbours.
    psf_sigma_line, psf_sigma_column : float or ndarray of shape (n_columns,)
        Predicted Gaussian widths of the sharpest point spread along and across the scan, pixel
        included, px.
    options : CosmicOptions
        Tuning.

    Returns
    -------
    ndarray of bool
        True where hit. What happens further than `halo_lines` away changes nothing.

    Raises
    ------
    ValueError
        If shapes disagree or a width is not positive.
    """
    if not image_minus_sky.shape == variance.shape == mask.shape:
        msg = (
            "image_minus_sky, variance and mask must share their shape, received "
            f"{image_minus_sky.shape}, {variance.shape} and {mask.shape}"
        )
        raise ValueError(msg)
    image = np.ascontiguousarray(image_minus_sky, dtype=np.float32)
    noise = np.ascontiguousarray(variance, dtype=np.float32)
    marked = np.bitwise_and(mask, np.uint16(~_HIT))
    limits = make_limits(psf_sigma_line, psf_sigma_column, mask.shape[1], options=options)
    mark_cosmic_rays(image, noise, marked, _find(image, noise, marked, limits), limits)
    return np.asarray(marked & _HIT > 0)
