"""How two reductions of a strip, a response vector or a stack differ, in numbers with errors.

New minus old, and new over old, throughout. Old and new come from the same photons, so the error
of a median change is taken from the scatter of the changes themselves; where every source changed
alike it is zero.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.constants import FWHM_PER_SIGMA, SIGMA_PER_MAD
from pipeline.report.compare_read import Stack, Table

__all__ = [
    "KINDS",
    "CompareOptions",
    "Middle",
    "Pairs",
    "Trend",
    "divide",
    "edges_of",
    "find_middle",
    "fit_trend",
    "match_sources",
    "measure_deep",
    "measure_stack",
    "pair_catalogues",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
KINDS = ("psf", "aperture", "total")
_MAG = 2.5 / np.log(10.0)


@dataclass(frozen=True)
class CompareOptions:
    """How the comparison is made.

    Parameters
    ----------
    radius : float
        Largest distance of the same source on both sides [px].
    column_bins : int
        Bins across the chip.
    magnitude_bin : float
        Width of the bins of magnitude [mag].
    bright_error : float
        Stated error below which a star counts as bright [mag].
    significance : float
        A magnitude changed if it moved by more of its own errors than this.
    fewest : int
        Sources without which no median is given.
    """

    radius: float = 2.0
    column_bins: int = 16
    magnitude_bin: float = 0.5
    bright_error: float = 0.01
    significance: float = 3.0
    fewest: int = 5


@dataclass(frozen=True)
class Middle:
    """Median, its error, and the robust spread; not a number where too few values are known."""

    value: float
    error: float
    spread: float


@dataclass(frozen=True)
class Trend:
    """Straight line against column: what it gains from the first to the last column."""

    value: float
    error: float
    n: int


@dataclass(frozen=True)
class Pairs:
    """Sources of a strip on both sides; arrays over the pairs unless said otherwise.

    Parameters
    ----------
    old, new : dict of str to ndarray
        Rows of the catalogues, in the order of the pairs.
    lost, gained : dict of str to ndarray
        Rows that have no partner.
    clean : ndarray of bool
        Unflagged on both sides.
    """

    old: Table
    new: Table
    lost: Table
    gained: Table
    clean: NDArray[np.bool_]

    def change(self, name: str) -> Floats:
        """New minus old of a column; ra in degrees across the line 0 = 360."""
        found = np.asarray(self.new[name] - self.old[name], dtype=np.float64)
        return (found + 180.0) % 360.0 - 180.0 if name == "ra" else found

    def sky_change(self, name: str) -> Floats:
        """Change of "ra" (on the sky) or "dec" [arcsec]."""
        stretch = np.cos(np.deg2rad(self.old["dec"])) if name == "ra" else 1.0
        return self.change(name) * stretch * 3600.0

    def error_ratio(self, kind: str) -> Floats:
        """Stated error of a magnitude, new over old."""
        return divide(self.new[f"mag_{kind}_err"], self.old[f"mag_{kind}_err"])

    def count_changed(self, kind: str, significance: float) -> int:
        """Sources whose magnitude changed by more than so many of its own errors.

        The error is the quadratic mean of the two stated ones: it is the scale of one measurement,
        since both are made of the same photons.
        """
        own = np.sqrt(0.5 * (self.old[f"mag_{kind}_err"] ** 2 + self.new[f"mag_{kind}_err"] ** 2))
        return int(np.count_nonzero(np.abs(self.change(f"mag_{kind}")) > significance * own))

    def bright(self, options: CompareOptions) -> NDArray[np.bool_]:
        """Clean reference stars, bright on the old side, with an offset on both sides."""
        known = np.isfinite(self.old["ref_mag_offset"]) & np.isfinite(self.new["ref_mag_offset"])
        return self.clean & known & (self.old["mag_psf_err"] < options.bright_error)


def match_sources(old: Floats, new: Floats, *, radius: float) -> tuple[Ints, Ints]:
    """Pair positions one to one, the closest first.

    Parameters
    ----------
    old, new : ndarray of shape (n, 2)
        Line and column [px]; rows that are not finite have no partner.
    radius : float
        Largest distance of a pair [px].

    Returns
    -------
    old_rows, new_rows : ndarray of int
        Rows of each pair, in the order of the old rows. No row occurs twice.

    Raises
    ------
    ValueError
        If the radius is not positive.
    """
    if not radius > 0:
        msg = f"radius must be positive, received {radius}"
        raise ValueError(msg)
    old_known = np.flatnonzero(np.isfinite(old).all(axis=1))
    new_known = np.flatnonzero(np.isfinite(new).all(axis=1))
    if not old_known.size or not new_known.size:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    near = cKDTree(old[old_known]).sparse_distance_matrix(
        cKDTree(new[new_known]), radius, output_type="ndarray"
    )
    near = near[np.lexsort((near["j"], near["i"], near["v"]))]
    partner = np.full(old_known.size, -1, dtype=np.int64)
    taken = np.zeros(new_known.size, dtype=bool)
    for i, j in zip(near["i"].tolist(), near["j"].tolist(), strict=True):
        if partner[i] < 0 and not taken[j]:
            partner[i] = j
            taken[j] = True
    kept = partner >= 0
    return old_known[kept], new_known[partner[kept]]


def pair_catalogues(old: Table, new: Table, options: CompareOptions) -> Pairs:
    """Pair the sources of two catalogues of a strip by their position on it.

    Parameters
    ----------
    old, new : dict of str to ndarray
        Strip catalogues.
    options : CompareOptions

    Returns
    -------
    Pairs
    """
    at = [np.stack([t["line"], t["column"]], axis=1).astype(np.float64) for t in (old, new)]
    i, j = match_sources(at[0], at[1], radius=options.radius)
    alone_old = np.setdiff1d(np.arange(len(at[0])), i)
    alone_new = np.setdiff1d(np.arange(len(at[1])), j)
    return Pairs(
        old={k: v[i] for k, v in old.items()},
        new={k: v[j] for k, v in new.items()},
        lost={k: v[alone_old] for k, v in old.items()},
        gained={k: v[alone_new] for k, v in new.items()},
        clean=(old["flags"][i] == 0) & (new["flags"][j] == 0),
    )


def find_middle(values: Floats, *, fewest: int) -> Middle:
    """Median of the finite values with its error, and their robust spread.

    The error is that of order statistics (David & Nagaraja 2003, Order Statistics, section 7.1;
    from memory), which holds for any distribution.

    Parameters
    ----------
    values : ndarray
        Any unit, which is that of the result.
    fewest : int
        Not a number where fewer values are finite.

    Returns
    -------
    Middle
    """
    known = values[np.isfinite(values)]
    if known.size < max(fewest, 1):
        return Middle(np.nan, np.nan, np.nan)
    value = float(np.median(known))
    spread = SIGMA_PER_MAD * float(np.median(np.abs(known - value)))
    # The number of values below the median is binomial, of deviation sqrt(n) / 2: whatever the
    # distribution (here one of many widths), the quantiles so far off bound 1 sigma.
    share = 0.5 / float(np.sqrt(known.size))
    low, high = np.quantile(known, [0.5 - share, 0.5 + share], method="hazen")
    return Middle(value, 0.5 * float(high - low), spread)


def fit_trend(column: Floats, values: Floats, *, n_columns: int, fewest: int = 10) -> Trend:
    """Straight line through values against column, outliers beyond 4 sigma left out.

    Parameters
    ----------
    column, values : ndarray of shape (n,)
        Where, and what (any unit).
    n_columns : int
        Columns of the chip.
    fewest : int
        Not a number where fewer values are left.

    Returns
    -------
    Trend
        Last column minus first, with the error from the scatter about the line.
    """
    x = column / n_columns
    use = np.isfinite(x) & np.isfinite(values)
    if use.sum() < fewest:
        return Trend(np.nan, np.nan, int(use.sum()))
    slope, level = 0.0, float(np.median(values[use]))
    for _ in range(10):
        rest = values - level - slope * x
        middle = np.median(rest[use])
        spread = SIGMA_PER_MAD * float(np.median(np.abs(rest[use] - middle)))
        # Beyond 4 sigma a Gaussian has next to nothing, so that the scatter of what is left needs
        # no correction. Rounding alone must not throw values out where all lie on the line.
        limit = 4.0 * spread + 1e-12 * float(np.abs(values[use]).max())
        kept = use & (np.abs(rest - middle) <= limit)
        centre = x[kept].mean()
        power = float(((x[kept] - centre) ** 2).sum())
        if kept.sum() < fewest or power == 0.0:
            return Trend(np.nan, np.nan, int(kept.sum()))
        slope = float(((x[kept] - centre) * values[kept]).sum() / power)
        level = float(values[kept].mean() - slope * centre)
        if np.array_equal(kept, use):
            break
        use = kept
    rest = (values - level - slope * x)[use]
    error = float(np.sqrt((rest**2).sum() / (use.sum() - 2) / power))
    return Trend(slope, error, int(use.sum()))


def measure_stack(old: Stack | None, new: Stack | None) -> dict[str, Any]:
    """Noise and depth of a stack on both sides.

    The depth is the magnitude of a star of 5 times the noise in the noise-equivalent area of a
    Gaussian of the stack's width, 4 pi sigma^2 (King 1983, PASP 95, 163), the noise raised by the
    correlation of the pixels that the header states. Pixels that are good on both sides count.

    Parameters
    ----------
    old, new : Stack or None

    Returns
    -------
    dict
        Columns of the table of stacks.
    """
    both = old is not None and new is not None and old.flux.shape == new.flux.shape
    good = {}
    for side, stack in (("old", old), ("new", new)):
        if stack is not None:
            known = np.isfinite(stack.flux) & np.isfinite(stack.variance) & (stack.variance > 0)
            good[side] = known & (stack.mask == 0)
    if both and (good["old"] & good["new"]).any():
        good = dict.fromkeys(good, good["old"] & good["new"])
    row: dict[str, Any] = {"n_pixels": int(good["old"].sum()) if both else 0}
    for side, stack in (("old", old), ("new", new)):
        found = [np.nan, np.nan, np.nan]
        if stack is not None and good[side].any():
            noise = float(np.sqrt(np.median(stack.variance[good[side]])))
            area = 4.0 * np.pi * (stack.fwhm / FWHM_PER_SIGMA) ** 2
            limit = 5.0 * noise * np.sqrt(area) * stack.noise_correlation
            spread = find_middle(stack.flux[good[side]].astype(np.float64), fewest=1).spread
            found = [noise, spread, 25.0 - 2.5 * float(np.log10(limit))]
        names = ("noise", "spread", "depth")
        row |= {f"{n}_{side}": v for n, v in zip(names, found, strict=True)}
        row[f"n_epochs_{side}"] = 0 if stack is None else stack.n_epochs
    row["noise_ratio"] = float(divide(row["noise_new"], row["noise_old"]))
    row["spread_ratio"] = float(divide(row["spread_new"], row["spread_old"]))
    row["depth_change"] = row["depth_new"] - row["depth_old"]
    return row


def measure_deep(deep: Table | None, tile: str, *, fewest: int) -> tuple[int, float, float]:
    """Depth of a tile from the stated errors of its faint sources.

    Parameters
    ----------
    deep : dict of str to ndarray or None
        Deep catalogue of the filter.
    tile : str
    fewest : int
        Sources without which no depth is given.

    Returns
    -------
    n : int
        Sources of the tile.
    depth, depth_err : float
        Magnitude of 5 times the median error of unflagged sources below a signal-to-noise of 20.
    """
    if deep is None:
        return 0, np.nan, np.nan
    here = deep["tile"] == tile
    flux, error = deep["flux_psf"][here], deep["flux_psf_err"][here]
    faint = (deep["flags"][here] == 0) & (error > 0) & (flux < 20.0 * error)
    middle = find_middle(error[faint], fewest=fewest)
    if not np.isfinite(middle.value):
        return int(here.sum()), np.nan, np.nan
    depth = 25.0 - 2.5 * float(np.log10(5.0 * middle.value))
    return int(here.sum()), depth, _MAG * middle.error / middle.value


def edges_of(n_columns: int, options: CompareOptions) -> list[tuple[float, float]]:
    """Bins of column, whole columns each."""
    n_bins = min(options.column_bins, n_columns)
    edges = np.round(np.linspace(0, n_columns, n_bins + 1))
    return list(pairwise(edges.tolist()))


def divide(a: Any, b: Any) -> Floats:
    """Ratio; not a number where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.asarray(a, dtype=np.float64) / np.asarray(b, dtype=np.float64)
    return np.where(np.isfinite(found), found, np.nan)
