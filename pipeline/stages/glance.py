"""Numbers of a quick look from samples of a strip: shapes, trends, response, brightness."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter

from pipeline.constants import FWHM_PER_SIGMA, SIGMA_PER_MAD

__all__ = [
    "bin_columns",
    "compare_columns",
    "describe_shape",
    "fit_trend",
    "halve_cells",
    "rank_brightness",
    "robust_mean",
]

FloatArray = NDArray[np.float64]

_MEDIAN_LOSS = 1.2533  # standard error of a Gaussian's median over that of its mean: sqrt(pi / 2)
_FEWEST = 5  # stars that give a shape
_WINDOW = 129  # columns of the running median that stands for the sky's own course
_OFF = 0.5  # a column this far from its neighbours' level is dead or hot


def robust_mean(values: ArrayLike) -> tuple[float, float]:
    """Median, and its standard error from the scatter.

    Parameters
    ----------
    values : array_like
        Those that are not finite are left out.

    Returns
    -------
    median, error : float
        NaN for fewer than one and two values.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if known.size == 0:
        return np.nan, np.nan
    middle = float(np.median(known))
    if known.size < 2:
        return middle, np.nan
    spread = SIGMA_PER_MAD * float(np.median(np.abs(known - middle)))
    return middle, _MEDIAN_LOSS * spread / float(np.sqrt(known.size))


def describe_shape(
    var_ll: ArrayLike, var_lc: ArrayLike, var_cc: ArrayLike
) -> dict[str, tuple[float, float]]:
    """Width and elongation of the typical star among several.

    Parameters
    ----------
    var_ll, var_lc, var_cc : array_like of shape (n,)
        Second moments, px^2.

    Returns
    -------
    dict of str to (value, error)
        ``fwhm`` [px], of the round Gaussian of equal area, and ``elongation``, the ratio of the
        axes; of median moments, since noise of single stars would pass for elongation. NaN for
        fewer than five stars.
    """
    moments = np.stack([np.asarray(v, dtype=float) for v in (var_ll, var_lc, var_cc)])
    if moments.shape[1] < _FEWEST:
        return {"fwhm": (np.nan, np.nan), "elongation": (np.nan, np.nan)}
    ll, lc, cc = np.median(moments, axis=1)
    each = FWHM_PER_SIGMA * np.maximum(moments[0] * moments[2] - moments[1] ** 2, 0.0) ** 0.25
    fwhm = FWHM_PER_SIGMA * float(max(ll * cc - lc * lc, 0.0)) ** 0.25
    errors = [robust_mean(row)[1] for row in (moments[0] - moments[2], moments[1])]
    half = float(np.hypot(0.5 * (ll - cc), lc))
    mean = 0.5 * float(ll + cc)
    if not mean > half:
        return {"fwhm": (fwhm, robust_mean(each)[1]), "elongation": (np.nan, np.nan)}
    ratio = float(np.sqrt((mean + half) / (mean - half)))
    # d ratio / d half = mean / ((mean - half)^2 ratio); the error of half is that of its parts.
    slope = mean / ((mean - half) ** 2 * ratio)
    return {
        "fwhm": (fwhm, robust_mean(each)[1]),
        "elongation": (ratio, slope * float(np.hypot(0.5 * errors[0], errors[1])) / np.sqrt(2.0)),
    }


def fit_trend(
    hours: ArrayLike, values: ArrayLike, errors: ArrayLike
) -> tuple[float, float, float, float, int] | None:
    """Weighted straight line through values against time.

    Parameters
    ----------
    hours, values, errors : array_like of shape (n,)
        Points with an error that is not positive and finite are left out.

    Returns
    -------
    value, slope, slope_err, middle, n : float, float, float, float, int
        At the weighted middle of the time; the error holds the scatter about the line where that
        is larger than the errors say. None for fewer than four points or no span of time.
    """
    x, y, e = (np.asarray(a, dtype=float) for a in (hours, values, errors))
    good = np.isfinite(x + y + e) & (e > 0)
    x, y, e = x[good], y[good], e[good]
    if x.size < 4 or not np.ptp(x) > 0:
        return None
    w = np.maximum(e, np.median(e)) ** -2.0  # small errors of few stars are chance
    middle = float(np.sum(w * x) / np.sum(w))
    spread = float(np.sum(w * (x - middle) ** 2))
    value = float(np.sum(w * y) / np.sum(w))
    slope = float(np.sum(w * (x - middle) * y) / spread)
    rest = y - value - slope * (x - middle)
    chi2 = float(np.sum(w * rest**2) / (x.size - 2))
    return value, slope, float(np.sqrt(max(chi2, 1.0) / spread)), middle, int(x.size)


def compare_columns(
    level: NDArray[np.floating],
    error: NDArray[np.floating],
    edges: tuple[tuple[int, int], ...],
) -> dict[str, NDArray]:
    """Level of every column over the smooth course of its neighbours, over several blocks.

    Each block is divided by a running median over its own columns, amplifier by amplifier, so that
    neither the sky nor a gain enters; the blocks are then averaged.

    Parameters
    ----------
    level, error : ndarray of shape (n_blocks, n_columns)
        Of the sky, electrons; NaN where there is none.
    edges : tuple of (int, int)
        Half-open ranges of columns of the amplifiers.

    Returns
    -------
    dict of str to ndarray of shape (n_columns,)
        ``ratio``; ``error``, of the photons or of the scatter of the blocks, whichever is larger;
        ``bad``: off by half, or unknown.
    """
    ratios = np.full(level.shape, np.nan)
    noise = np.full(level.shape, np.nan)
    for first, stop in edges:
        size = min(_WINDOW, max(3, (stop - first) // 4) | 1)
        for row, values in enumerate(level[:, first:stop]):
            known = np.isfinite(values)
            if np.count_nonzero(known) < 3:
                continue
            filled = np.where(known, values, np.median(values[known]))
            smooth = median_filter(filled, size=size, mode="nearest")
            safe = np.where(smooth > 0, smooth, np.nan)
            ratios[row, first:stop] = np.where(known, values / safe, np.nan)
            noise[row, first:stop] = error[row, first:stop] / safe
    weight = np.where(np.isfinite(ratios) & (noise > 0), noise, np.inf) ** -2.0
    total = weight.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(weight > 0, weight * ratios, 0.0).sum(axis=0) / total
        off = np.where(weight > 0, weight * (ratios - ratio) ** 2, 0.0).sum(axis=0) / total
        n = np.count_nonzero(weight, axis=0)
        scatter = np.sqrt(off / np.maximum(n - 1, 1))
        photons = 1.0 / np.sqrt(total)
    bad = ~np.isfinite(ratio) | (np.abs(ratio - 1.0) > _OFF)
    return {"ratio": ratio, "error": np.maximum(photons, scatter), "bad": bad}


def rank_brightness(fluxes: list[FloatArray]) -> tuple[FloatArray, FloatArray, int]:
    """Dimming of blocks without a catalogue: the star of one rank in each, against the typical one.

    The k-th brightest star of a field as large is equally bright anywhere, give or take the
    Poisson noise of k over the slope of the counts.

    Parameters
    ----------
    fluxes : list of ndarray
        Of the bright stars of each block, any linear unit.

    Returns
    -------
    dimming, error : ndarray of shape (n_blocks,)
        Magnitudes, positive where stars are fainter; NaN where a block has fewer than k stars.
    k : int
        The rank; 0 where the blocks have too few stars.
    """
    counts = np.array([f.size for f in fluxes])
    none = np.full(len(fluxes), np.nan)
    k = int(min(20, np.median(counts) // 3)) if counts.size else 0
    if k < _FEWEST:
        return none, none, 0
    at = none.copy()
    later = none.copy()
    for i, flux in enumerate(fluxes):
        order = np.sort(flux)[::-1]
        if order.size >= k:
            at[i] = -2.5 * np.log10(order[k - 1])
        if order.size >= 2 * k:
            later[i] = -2.5 * np.log10(order[2 * k - 1])
    step = float(np.nanmedian(later) - np.nanmedian(at))  # magnitudes for twice the count
    # dm = dk / k / (d ln N / dm), with ln 2 / step for the slope.
    error = step / np.log(2.0) / np.sqrt(k) if step > 0 else np.nan
    return at - float(np.nanmedian(at)), np.where(np.isfinite(at), error, np.nan), k


def bin_columns(
    groups: NDArray[np.floating], known: NDArray[np.bool_], step: int
) -> NDArray[np.float32]:
    """Mean of groups of lines in cells of columns.

    Parameters
    ----------
    groups : ndarray of shape (n, length, n_columns)
        Groups of lines.
    known : ndarray of bool of shape (n,)
        Groups with data.
    step : int
        Columns of a cell; the last may have fewer.

    Returns
    -------
    ndarray of float32 of shape (n, ceil(n_columns / step))
        NaN for groups without data.
    """
    edges = np.arange(0, groups.shape[2], step)
    width = np.diff(np.append(edges, groups.shape[2]))
    cells = np.add.reduceat(groups.mean(axis=1, dtype=np.float64), edges, axis=1) / width
    cells[~known] = np.nan
    return cells.astype(np.float32)


def halve_cells(cells: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cells of twice the size along both axes, where a strip grows; empty ones do not count.

    Parameters
    ----------
    cells : ndarray of shape (n, m)

    Returns
    -------
    ndarray of float32 of shape (ceil(n / 2), ceil(m / 2))
    """
    n, m = cells.shape
    wide = np.full((n + n % 2, m + m % 2), np.nan, dtype=np.float64)
    wide[:n, :m] = cells
    four = wide.reshape(wide.shape[0] // 2, 2, wide.shape[1] // 2, 2)
    known = np.isfinite(four)
    count = known.sum(axis=(1, 3))
    total = np.where(known, four, 0.0).sum(axis=(1, 3))
    mean = total / np.maximum(count, 1)
    return np.where(count > 0, mean, np.nan).astype(np.float32)
