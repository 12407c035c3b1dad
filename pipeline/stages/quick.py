"""Bright stars straight from raw lines: good enough to start the geometry and the point spread."""

from dataclasses import dataclass, fields

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["BrightStars", "concatenate_bright_stars", "find_bright_stars"]

FloatArray = NDArray[np.float64]

_REACH = 3  # half size of the window that is fitted, px
_SHARE = 0.3  # pixels below this share of the peak are wings, not core
_FEWEST_PIXELS = 7  # of a core
_LEAST_SPREAD = 1e-12


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


def _fit_cores(stamps: FloatArray) -> tuple[NDArray[np.bool_], FloatArray]:
    """Least-squares paraboloids through the logarithm of cores.

    Parameters
    ----------
    stamps : ndarray of shape (n, size, size)
        Their central pixels are positive peaks.

    Returns
    -------
    good : ndarray of bool of shape (n,)
        False where there is no peak, or not in the central pixel.
    table : ndarray of shape (n, 6)
        Shifts along both axes, flux, and covariance (ll, lc, cc) of the core.
    """
    n = len(stamps)
    grid = np.arange(-_REACH, _REACH + 1, dtype=float)
    x, y = (a.ravel() for a in np.meshgrid(grid, grid, indexing="ij"))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    values = stamps.reshape(n, x.size)
    use = values > _SHARE * stamps[:, _REACH, _REACH, None]
    # The error of ln(v) is that of v over v: bright pixels count more.
    weight = np.where(use, values, 0.0)
    logs = np.log(np.where(use, values, 1.0))
    rows = terms * weight[:, :, None]
    normal = rows.transpose(0, 2, 1) @ rows
    right = rows.transpose(0, 2, 1) @ (weight * logs)[:, :, None]
    # Pixels in one line, or all but, fix no paraboloid: by Hadamard's inequality this is 0 to 1.
    most = np.prod(np.diagonal(normal, axis1=1, axis2=2), axis=1)
    spread = np.linalg.det(normal) / np.where(most > 0, most, 1.0)
    good = (use.sum(axis=1) >= _FEWEST_PIXELS) & (spread > _LEAST_SPREAD)
    normal[~good] = np.eye(6)
    a, b1, b2, q11, q12, q22 = np.linalg.solve(normal, right)[:, :, 0].T
    # Covariance: the inverse of ((-2 q11, -q12), (-q12, -2 q22)), where that is positive.
    determinant = 4.0 * q11 * q22 - q12**2
    good &= (q11 < 0) & (determinant > 0)
    determinant = np.where(good, determinant, 1.0)
    ll, lc, cc = -2.0 * q22 / determinant, q12 / determinant, -2.0 * q11 / determinant
    d_line, d_column = ll * b1 + lc * b2, lc * b1 + cc * b2
    good &= np.maximum(np.abs(d_line), np.abs(d_column)) <= 1.0
    exponent = np.where(good, a + 0.5 * (b1 * d_line + b2 * d_column), 0.0)
    flux = 2.0 * np.pi * np.exp(exponent) / np.sqrt(determinant)
    return good, np.stack([d_line, d_column, flux, ll, lc, cc], axis=1)


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
    l, c = found[:count].T
    near = np.arange(-_REACH, _REACH + 1)
    stamps = image[l[:, None, None] + near[:, None], c[:, None, None] + near].astype(float)
    good, core = _fit_cores(stamps)
    # Pixel and clocking boxcars: 1/12 + 1/12 px^2 along, 1/12 across; no star is sharper
    # than twice that by any seeing that a sampled camera is built for.
    good &= (core[:, 3] >= 0.33) & (core[:, 5] >= 0.25)
    l, c, core = l[good], c[good], core[good]
    table = np.column_stack([
        first_line + l + core[:, 0], c + core[:, 1], core[:, 2], image[l, c] / noise[c], core[:, 3:]
    ])  # fmt: skip
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
