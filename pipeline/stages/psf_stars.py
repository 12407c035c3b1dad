"""Bright, isolated stars: choose them and cut out their pixels; options of the solution."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

__all__ = ["BETA_LIMITS", "PsfStarOptions", "cut_stamps", "rank_stars", "select_psf_stars"]

# Range of the Moffat exponent; beyond, a profile is nearly Gaussian.
BETA_LIMITS = (1.8, 15.0)
_LEAST_OF_BIN = 3


@dataclass(frozen=True)
class PsfStarOptions:
    """Tuning of the point-spread solution.

    Attributes
    ----------
    min_snr : float
        Least signal-to-noise of a star.
    isolation_radius : float
        Neighbours within this distance count, px.
    max_neighbour_share : float
        Most light of all neighbours together, relative to the star's own.
    stars_per_bin : int
        Brightest stars taken in each quarter of `n_stage` lines; fewer in a long strip
        (`stars_of_bin`).
    most_stars : int
        About as many stars of a whole strip: their stamps are in memory together.
    radius : float
        Pixels within this distance of the star are fitted, px.
    half_size : int
        Half size of the resulting model, px.
    beta : float or None
        Moffat exponent; None: fitted.
    default_beta : float
        Used where there are fewer than `min_stars` stars to fit it.
    optics_order : int
        Highest order in column of the optics' covariance; 0 or more. Lower orders, or none, are
        used when the data prefer them (Schwarz 1978, Ann. Stat. 6, 461).
    min_stars : int
        Stars needed to fit the exponent and the optics.
    model_error : float
        Expected relative error of the model per pixel.
    max_iterations : int
        Newton steps of a star's fit.
    """

    min_snr: float = 50.0
    isolation_radius: float = 15.0
    max_neighbour_share: float = 0.01
    stars_per_bin: int = 60
    most_stars: int = 6000
    radius: float = 10.0
    half_size: int = 20
    beta: float | None = None
    default_beta: float = 3.0
    optics_order: int = 2
    min_stars: int = 20
    model_error: float = 0.003
    max_iterations: int = 40

    def __post_init__(self) -> None:
        """Check the values."""
        for name in (
            "min_snr", "isolation_radius", "stars_per_bin", "most_stars", "radius", "min_stars"
        ):  # fmt: skip
            if not getattr(self, name) > 0:
                raise ValueError(f"{name}: must be positive, got {getattr(self, name)}")
        if self.half_size < self.radius:
            raise ValueError(
                f"half_size: must be at least the radius {self.radius}, got {self.half_size}"
            )
        for name in ("optics_order", "model_error", "max_neighbour_share"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name}: must not be negative, got {getattr(self, name)}")
        low, high = BETA_LIMITS
        for name in ("beta", "default_beta"):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise ValueError(f"{name}: must be within {low} to {high}, got {value}")

    def stars_of_bin(self, n_lines: int, n_stage: int) -> int:
        """Brightest stars to take in each quarter of `n_stage` lines of a strip.

        Parameters
        ----------
        n_lines, n_stage : int
            Of the strip.

        Returns
        -------
        int
            `stars_per_bin`, or in a long strip so many that `most_stars` are taken in all, but
            never fewer than three: the seeing is followed everywhere.
        """
        bins = max(4.0 * n_lines / n_stage, 1.0)
        return int(min(self.stars_per_bin, max(self.most_stars / bins, _LEAST_OF_BIN)))


def select_psf_stars(
    lines: ArrayLike,
    columns: ArrayLike,
    fluxes: ArrayLike,
    flux_errs: ArrayLike,
    flags: ArrayLike,
    *,
    n_stage: int,
    options: PsfStarOptions,
) -> NDArray[np.int64]:
    """Bright, clean, isolated stars, spread along the strip.

    Parameters
    ----------
    lines, columns, fluxes, flux_errs : array_like of shape (n,)
        All detected sources: they are each other's neighbours.
    flags : array_like of int
        Sources with any flag set are not chosen.
    n_stage : int
        Rows that integrate: the scale on which seeing can change.
    options : PsfStarOptions

    Returns
    -------
    ndarray of int
        Indices in increasing order.
    """
    lines, columns, fluxes, flux_errs = (
        np.asarray(a, dtype=float) for a in (lines, columns, fluxes, flux_errs)
    )
    flags = np.asarray(flags)
    if lines.size == 0:
        return np.empty(0, dtype=np.int64)
    with np.errstate(invalid="ignore", divide="ignore"):
        bright = (fluxes / flux_errs >= options.min_snr) & (flags == 0)
    candidates = np.flatnonzero(bright & np.isfinite(fluxes))
    points = np.stack([lines, columns], axis=1)
    light = np.nan_to_num(np.maximum(fluxes, 0.0))
    pairs = cKDTree(points[candidates]).sparse_distance_matrix(
        cKDTree(points), options.isolation_radius, output_type="ndarray"
    )
    around = np.bincount(pairs["i"], light[pairs["j"]], candidates.size) - light[candidates]
    isolated = candidates[around <= options.max_neighbour_share * light[candidates]]
    chosen = isolated.astype(np.int64)
    rank, _ = rank_stars(lines[chosen], fluxes[chosen], n_stage=n_stage)
    return chosen[rank < options.stars_per_bin]


def rank_stars(
    lines: NDArray[np.float64], fluxes: NDArray[np.float64], *, n_stage: int
) -> tuple[NDArray[np.int64], int]:
    """How many stars of the same quarter of `n_stage` lines are brighter than each.

    Parameters
    ----------
    lines, fluxes : ndarray of shape (n,)
        Global lines, and fluxes; of equal ones the first counts as the brighter.
    n_stage : int
        Rows that integrate.

    Returns
    -------
    rank : ndarray of int64 of shape (n,)
        0 for the brightest.
    n_bins : int
        Quarters that have stars.
    """
    bins = np.floor(4.0 * lines / n_stage).astype(np.int64)
    order = np.lexsort((-fluxes, bins))
    found, starts = np.unique(bins[order], return_index=True)
    rank = np.empty(bins.size, dtype=np.int64)
    rank[order] = np.arange(bins.size) - np.repeat(starts, np.diff(starts, append=bins.size))
    return rank, found.size


def cut_stamps(
    image: ArrayLike,
    variance: ArrayLike,
    mask: ArrayLike,
    lines: ArrayLike,
    columns: ArrayLike,
    *,
    first_line: int,
    half_size: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Pixels around stars, and their background variance; infinite where bad or outside.

    Parameters
    ----------
    image, variance, mask : array_like of shape (lines, columns)
    lines, columns : array_like of shape (n,)
        Positions, lines global; the stamp's centre is the nearest pixel.
    first_line : int
        Global line of the first row.
    half_size : int

    Returns
    -------
    stamps, variances : ndarray of float32, shape (n, size, size)
    """
    image, variance = np.asarray(image), np.asarray(variance)
    mask = np.asarray(mask)
    at = np.arange(-half_size, half_size + 1)
    l = np.rint(np.asarray(lines, dtype=float)).astype(np.int64)[:, None] - first_line + at
    c = np.rint(np.asarray(columns, dtype=float)).astype(np.int64)[:, None] + at
    inside = ((l >= 0) & (l < image.shape[0]))[:, :, None]
    inside = inside & ((c >= 0) & (c < image.shape[1]))[:, None, :]
    ll = np.clip(l, 0, image.shape[0] - 1)[:, :, None]
    cc = np.clip(c, 0, image.shape[1] - 1)[:, None, :]
    good = inside & (mask[ll, cc] == 0)
    stamps = np.where(good, image[ll, cc], 0.0).astype(np.float32)
    return stamps, np.where(good, variance[ll, cc], np.inf).astype(np.float32)
