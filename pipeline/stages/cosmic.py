"""Cosmic rays: pixels sharper than the predicted point spread lets any star be."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.flags import PixelMask
from pipeline.stages.scan_kernels import find_next

__all__ = ["CosmicOptions", "find_cosmic_rays", "halo_lines"]


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


@njit(cache=True)
def _contrast(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    l: int,
    c: int,
    ratio_l: np.ndarray,
    ratio_c: np.ndarray,
    blocked: int,
    skipped: int,
) -> float:
    """Largest excess, in sigma, over what a star's pixel may have above its neighbours.

    For a star of Gaussian width s centred anywhere, the mean of the two neighbours on an axis is
    at least exp(-1/(2 s^2)) of the pixel: (n1 + n2)/2 = p exp(-1/(2 s^2)) cosh(d/s^2).
    """
    n_lines, n_columns = image.shape
    p = image[l, c]
    v = variance[l, c] + max(p, np.float32(0.0))
    along = 0.0
    across = 0.0
    along_var = 0.0
    across_var = 0.0
    has_along = False
    has_across = False
    if 0 < l < n_lines - 1:
        seen = mask[l - 1, c] | mask[l + 1, c]
        if seen & blocked:
            return 0.0
        if not seen & skipped:
            a = image[l - 1, c]
            b = image[l + 1, c]
            along = ratio_l * p - 0.5 * (a + b)
            light = max(a, np.float32(0.0)) + max(b, np.float32(0.0))
            along_var = 0.25 * (variance[l - 1, c] + variance[l + 1, c] + light)
            has_along = True
    if 0 < c < n_columns - 1:
        seen = mask[l, c - 1] | mask[l, c + 1]
        if seen & blocked:
            return 0.0
        if not seen & skipped:
            a = image[l, c - 1]
            b = image[l, c + 1]
            across = ratio_c * p - 0.5 * (a + b)
            light = max(a, np.float32(0.0)) + max(b, np.float32(0.0))
            across_var = 0.25 * (variance[l, c - 1] + variance[l, c + 1] + light)
            has_across = True
    best = 0.0
    if has_along:
        best = max(best, along / np.sqrt(ratio_l * ratio_l * v + along_var))
    if has_across:
        best = max(best, across / np.sqrt(ratio_c * ratio_c * v + across_var))
    if has_along and has_across:
        both = ratio_l + ratio_c
        best = max(best, (along + across) / np.sqrt(both * both * v + along_var + across_var))
    return best


@njit(cache=True)
def _find(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    ratio_l: np.ndarray,
    ratio_c: np.ndarray,
    threshold2: float,
    contrast: float,
    grow2: float,
    grow_contrast: float,
    steps: int,
    blocked: int,
    skipped: int,
    hit: np.ndarray,
) -> None:
    n_lines, n_columns = image.shape
    seeds_l = []
    seeds_c = []
    zero = np.float32(0.0)
    bright = np.empty(n_columns, dtype=np.uint8)
    hard = blocked | skipped
    for l in range(n_lines):
        row = image[l]
        noise = variance[l]
        bits = mask[l]
        # Few pixels are bright: the whole line is compared at once, then only they are visited.
        for c in range(n_columns):
            p = row[c]
            above = (p > zero) & (p * p > threshold2 * noise[c])
            bright[c] = above & (bits[c] & hard == 0)
        c = find_next(bright, 0)
        while c < n_columns:
            value = _contrast(image, variance, mask, l, c, ratio_l[c], ratio_c[c], blocked, skipped)
            blunt = max(np.float32(0.0), 0.5 * (ratio_l[c] + ratio_c[c]) - np.float32(0.45))
            if value > contrast * (np.float32(1.0) + blunt):
                hit[l, c] = True
                seeds_l.append(l)
                seeds_c.append(c)
            c = find_next(bright, c + 1)
    first = 0
    for step in range(steps):
        last = len(seeds_l)
        if first == last:
            break
        for k in range(first, last):
            l0 = seeds_l[k]
            c0 = seeds_c[k]
            for l in range(max(l0 - 1, 0), min(l0 + 2, n_lines)):
                for c in range(max(c0 - 1, 0), min(c0 + 2, n_columns)):
                    if hit[l, c] or mask[l, c] & (blocked | skipped):
                        continue
                    p = image[l, c]
                    if not (p > zero and p * p > grow2 * variance[l, c]):
                        continue
                    side = (l == l0) or (c == c0)
                    # Spilled charge next to a hit is fainter than the hit itself.
                    spill = step == 0 and side and p < image[l0, c0]
                    if spill or (
                        _contrast(
                            image, variance, mask, l, c, ratio_l[c], ratio_c[c], blocked, skipped
                        )
                        > grow_contrast
                    ):
                        hit[l, c] = True
                        seeds_l.append(l)
                        seeds_c.append(c)
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
    n_columns = mask.shape[1]
    hit = np.zeros(mask.shape, dtype=np.bool_)
    blocked = PixelMask.SATURATED | PixelMask.BLEED
    skipped = (
        PixelMask.DEAD
        | PixelMask.HOT
        | PixelMask.NOISY
        | PixelMask.NONLINEAR
        | PixelMask.TRAP
        | PixelMask.NO_DATA
    )
    _find(
        np.ascontiguousarray(image_minus_sky, dtype=np.float32),
        np.ascontiguousarray(variance, dtype=np.float32),
        np.ascontiguousarray(mask),
        _sharpest(psf_sigma_line, options.margin, n_columns, "psf_sigma_line"),
        _sharpest(psf_sigma_column, options.margin, n_columns, "psf_sigma_column"),
        np.float32(options.threshold**2),
        options.contrast,
        np.float32(options.grow_sigma**2),
        options.grow_contrast,
        options.grow_steps,
        np.uint16(blocked),
        np.uint16(skipped),
        hit,
    )
    return hit
