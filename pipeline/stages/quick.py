"""Bright stars straight from raw lines: good enough to start the geometry and the point spread."""

from dataclasses import dataclass, fields

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["BrightStars", "concatenate_bright_stars", "find_bright_stars"]

FloatArray = NDArray[np.float64]

_REACH = 3  # half size of the window that is fitted, px
_SHARE = 0.3  # pixels below this share of the peak are wings, not core


@dataclass(frozen=True)
class BrightStars:
    """Peaks with the Gaussian that fits their core.

    Parameters
    ----------
    line, column : ndarray of shape (n,)
        Global position, px.
    flux : ndarray
        Flux of the fitted Gaussian, in the unit of the image.
    snr : ndarray
        Peak over noise.
    var_ll, var_lc, var_cc : ndarray
        Second moments of the fitted Gaussian, px^2: seeing, smear, clocking and pixel together.
    """

    line: FloatArray
    column: FloatArray
    flux: FloatArray
    snr: FloatArray
    var_ll: FloatArray
    var_lc: FloatArray
    var_cc: FloatArray

    def __len__(self) -> int:
        return int(self.line.size)

    def select(self, which: NDArray) -> "BrightStars":
        """Stars chosen by a boolean or integer index."""
        return BrightStars(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@njit(cache=True)
def _find(
    image: np.ndarray,
    noise: np.ndarray,
    bad: np.ndarray,
    ceiling: np.ndarray,
    threshold: float,
    edge_low: int,
    edge_high: int,
    out: np.ndarray,
) -> int:
    n_lines, n_columns = image.shape
    count = 0
    for l in range(max(edge_low, _REACH), min(edge_high, n_lines - _REACH)):
        for c in range(_REACH, n_columns - _REACH):
            value = image[l, c]
            if not value > threshold * noise[c] or bad[c]:
                continue
            peak = True
            for dl in range(-2, 3):
                for dc in range(-2, 3):
                    other = image[l + dl, c + dc]
                    # Ties go to the first pixel, so that a flat top counts once.
                    if other > value or (other == value and (dl < 0 or (dl == 0 and dc < 0))):
                        peak = False
            if not peak or value >= ceiling[c]:
                continue
            if count < out.shape[0]:
                out[count, 0] = l
                out[count, 1] = c
                count += 1
    return count


def _fit_core(stamp: FloatArray) -> tuple[float, ...] | None:
    """Least-squares paraboloid through the logarithm of the core."""
    peak = stamp[_REACH, _REACH]
    grid = np.arange(-_REACH, _REACH + 1, dtype=float)
    dl, dc = np.meshgrid(grid, grid, indexing="ij")
    use = stamp > _SHARE * peak
    if use.sum() < 7:
        return None
    weight = stamp[use]  # the error of ln(v) is that of v over v: bright pixels count more
    x, y = dl[use], dc[use]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    solution, *_ = np.linalg.lstsq(terms * weight[:, None], np.log(stamp[use]) * weight, rcond=None)
    a, b1, b2, q11, q12, q22 = solution
    inverse = np.array([[-2 * q11, -q12], [-q12, -2 * q22]])
    if inverse[0, 0] <= 0 or np.linalg.det(inverse) <= 0:
        return None
    covariance = np.linalg.inv(inverse)
    shift = covariance @ np.array([b1, b2])
    if np.abs(shift).max() > 1.0:
        return None
    top = np.exp(a + 0.5 * (b1 * shift[0] + b2 * shift[1]))
    flux = 2 * np.pi * top * np.sqrt(np.linalg.det(covariance))
    return (
        shift[0], shift[1], flux, covariance[0, 0], covariance[0, 1], covariance[1, 1],
    )  # fmt: skip


def find_bright_stars(
    image: NDArray[np.float32],
    noise: NDArray[np.floating],
    bad_columns: NDArray[np.bool_],
    *,
    first_line: int,
    ceiling: NDArray[np.floating],
    threshold: float,
    own: tuple[int, int],
    limit: int = 4000,
) -> BrightStars:
    """Find bright unsaturated peaks and fit their cores.

    Cosmic rays are left out as peaks too sharp for any star (narrower than the clocking and the
    pixel alone would make them).

    Parameters
    ----------
    image : ndarray of float32 of shape (n_lines, n_columns)
        Sky-subtracted lines.
    noise : ndarray of shape (n_columns,)
        Standard deviation of a pixel.
    bad_columns : ndarray of bool of shape (n_columns,)
        Columns left out.
    first_line : int
        Global line of the first.
    ceiling : ndarray of shape (n_columns,)
        Peaks at or above it are saturated and left out.
    threshold : float
        Least peak over noise.
    own : tuple of int
        Half-open range of global lines whose peaks are wanted.
    limit : int
        Largest number of peaks.

    Returns
    -------
    BrightStars
        In order of line.
    """
    found = np.zeros((limit, 2), dtype=np.int64)
    count = _find(
        image, np.asarray(noise, dtype=np.float32), bad_columns,
        np.asarray(ceiling, dtype=np.float32), np.float32(threshold),
        own[0] - first_line, own[1] - first_line, found,
    )  # fmt: skip
    rows = []
    for l, c in found[:count]:
        stamp = image[l - _REACH : l + _REACH + 1, c - _REACH : c + _REACH + 1].astype(float)
        fitted = _fit_core(stamp)
        # Pixel and clocking boxcars: 1/12 + 1/12 px^2 along, 1/12 across; no star is sharper
        # than twice that by any seeing that a sampled camera is built for.
        if fitted is None or fitted[3] < 0.33 or fitted[5] < 0.25:
            continue
        rows.append(
            (first_line + l + fitted[0], c + fitted[1], fitted[2], image[l, c] / noise[c],
             fitted[3], fitted[4], fitted[5])
        )  # fmt: skip
    table = np.array(rows, dtype=float).reshape(-1, 7)
    return BrightStars(*table.T.copy())


def concatenate_bright_stars(parts: list[BrightStars]) -> BrightStars:
    """Join the stars of several blocks.

    Parameters
    ----------
    parts : list of BrightStars
        In order of line.

    Returns
    -------
    BrightStars
    """
    if not parts:
        return BrightStars(*(np.empty(0) for _ in fields(BrightStars)))
    return BrightStars(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(BrightStars))
    )
