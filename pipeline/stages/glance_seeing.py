"""The seeing that makes stars as wide as they are, given how they move over the chip.

A star's second moments hold seeing, smear, clocking, pixel and the window that they were measured
in. Images of the model, measured in the same window, tell which seeing goes with which moments.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.stages.moments import Moments
from pipeline.stages.psf_direct import model_moments
from pipeline.stages.psf_model import PsfModel

__all__ = ["SeeingTable", "tabulate_seeing", "window_of"]

FloatArray = NDArray[np.float64]

_WIDTHS = 8
_RANGE = (0.55, 2.2)  # of the first guess
_COLUMNS = 13  # smear is a smooth function of the column: splines between
# Where the smear's variance is more than so many times the seeing's, or the least smear of the
# chip, a star tells its smear, not its seeing.
_MOST_SMEAR, _LEAST_RANGE = 1.5, 1.5


def window_of(model: PsfModel, fwhm: ArrayLike, columns: ArrayLike) -> FloatArray:
    """Standard deviation of the round window that fits stars of a column.

    Parameters
    ----------
    model : PsfModel
        Gives the smear.
    fwhm, columns : array_like of shape (n,) or scalar
        Seeing and column, px.

    Returns
    -------
    ndarray of shape (n,)
        px.
    """
    ll, _, cc = model.second_moments(columns)
    return np.sqrt((np.asarray(fwhm) / FWHM_PER_SIGMA) ** 2 + 0.5 * (ll + cc))


class SeeingTable:
    """Moments of the model against seeing and column.

    Parameters
    ----------
    widths : ndarray of shape (n_widths,)
        FWHM of the seeing, px, increasing.
    columns : ndarray of shape (n_columns,)
    moments : ndarray of shape (n_widths, n_columns, 2)
        Along the lines' axis and along the columns', px^2.
    """

    def __init__(self, widths: FloatArray, columns: FloatArray, moments: FloatArray) -> None:
        self.widths, self.columns, self.moments = widths, columns, moments

    def seeing(self, found: Moments, columns: FloatArray, *, axis: str) -> FloatArray:
        """Seeing of each star.

        Parameters
        ----------
        found : Moments
            Of n stars, in the windows of the table.
        columns : ndarray of shape (n,)
        axis : {"both", "line", "column"}
            Whose moment counts; of both their mean.

        Returns
        -------
        ndarray of shape (n,)
            FWHM, px; NaN beyond the table, in width or in column.
        """
        weight = np.array({"both": (0.5, 0.5), "line": (1.0, 0.0), "column": (0.0, 1.0)}[axis])
        measured = weight[0] * found.mom_ll + weight[1] * found.mom_cc
        table = self.moments @ weight
        curves = np.stack([_interpolate(columns, self.columns, row) for row in table], axis=1)
        out = np.full(columns.size, np.nan)
        known = np.isfinite(curves)
        for pattern in np.unique(known, axis=0):  # few: they change from column to column alone
            if np.count_nonzero(pattern) > 1:
                mine = np.flatnonzero((known == pattern).all(axis=1) & np.isfinite(measured))
                # Moments grow as the square of the width, nearly.
                squares = self.widths[pattern] ** 2
                out[mine] = _look_up(measured[mine], curves[mine][:, pattern], squares)
        out[(columns < self.columns[0]) | (columns > self.columns[-1])] = np.nan
        return np.sqrt(out)


def _look_up(x: FloatArray, at: FloatArray, values: FloatArray) -> FloatArray:
    """Linear interpolation of each number in a row of its own; NaN beyond its ends."""
    row = np.arange(x.size)
    j = np.clip(np.count_nonzero(at <= x[:, None], axis=1) - 1, 0, at.shape[1] - 2)
    low, high = at[row, j], at[row, j + 1]
    slope = (values[j + 1] - values[j]) / (high - low)
    out = slope * (x - low) + values[j]
    out[(x < at[:, 0]) | (x > at[:, -1])] = np.nan
    return np.asarray(out)


def _interpolate(x: FloatArray, at: FloatArray, values: FloatArray) -> FloatArray:
    if at.size > 3 and np.isfinite(values).all():
        return np.asarray(CubicSpline(at, values)(x))
    return np.interp(x, at, values)


def tabulate_seeing(model: PsfModel, *, guess: float, n_columns: int) -> SeeingTable:
    """Measure noise-free stars of a model under a range of seeings.

    Parameters
    ----------
    model : PsfModel
        Its smear and exponent count, its seeing does not.
    guess : float
        FWHM that the windows are for, and about which the range is laid, px.
    n_columns : int
        Of the chip.

    Returns
    -------
    SeeingTable
    """
    widths = guess * np.geomspace(*_RANGE, _WIDTHS)
    every = np.linspace(0.0, n_columns - 1.0, min(257, n_columns))
    ll, _, cc = model.second_moments(every)
    smear = 0.5 * (ll + cc)
    most = max(_MOST_SMEAR * (guess / FWHM_PER_SIGMA) ** 2, _LEAST_RANGE * float(smear.min()))
    useful = every[smear <= most]
    columns = np.unique(np.linspace(useful[0], useful[-1], _COLUMNS))
    window = window_of(model, guess, columns)
    moments = np.empty((widths.size, columns.size, 2))
    for w, found in enumerate(model_moments(model, widths, columns, window)):
        moments[w] = np.stack([found.mom_ll, found.mom_cc], axis=1)
    # Where a wider star does not look wider, the window tells nothing.
    for w in range(1, widths.size):
        moments[w][~(moments[w] > moments[w - 1])] = np.nan
    return SeeingTable(widths, columns, moments)
