"""The seeing that makes stars as wide as they are, given how they move over the chip.

A Gaussian fitted to the core of a star is wider than the seeing: the profile has wings, and smear,
clocking and pixel widen it. Images of the model, fitted in the same way, tell by how much.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.psf_model import PsfModel
from pipeline.stages.quick import REACH, BrightStars, fit_core

__all__ = ["CoreTable", "tabulate_cores"]

FloatArray = NDArray[np.float64]

_WIDTHS = 10
_RANGE = (0.45, 2.6)  # of the first guess
_COLUMNS = 7
_OFFSETS = tuple((a / 3, b / 3) for a in (-1, 0, 1) for b in (-1, 0, 1))  # px within a pixel


class CoreTable:
    """Variances of fitted cores against seeing and column.

    Parameters
    ----------
    widths : ndarray of shape (n_widths,)
        FWHM of the seeing, px, increasing.
    columns : ndarray of shape (n_columns,)
    variance : ndarray of shape (n_widths, n_columns, 2)
        Along the line axis and along the columns, px^2.
    """

    def __init__(self, widths: FloatArray, columns: FloatArray, variance: FloatArray) -> None:
        self.widths, self.columns, self.variance = widths, columns, variance

    def seeing(self, stars: BrightStars, *, axis: str) -> FloatArray:
        """Seeing of each star.

        Parameters
        ----------
        stars : BrightStars
        axis : {"both", "line", "column"}
            Whose variance counts; of both their mean.

        Returns
        -------
        ndarray of shape (n,)
            FWHM, px; NaN beyond the table.
        """
        weight = {"both": (0.5, 0.5), "line": (1.0, 0.0), "column": (0.0, 1.0)}[axis]
        measured = weight[0] * stars.var_ll + weight[1] * stars.var_cc
        table = self.variance @ np.array(weight)
        curves = np.stack([np.interp(stars.column, self.columns, row) for row in table], axis=1)
        found = np.full(len(stars), np.nan)
        for i, (value, curve) in enumerate(zip(measured, curves, strict=True)):
            known = np.isfinite(curve)
            if np.count_nonzero(known) > 1:
                found[i] = np.interp(
                    value, curve[known], self.widths[known], left=np.nan, right=np.nan
                )
        return found


def tabulate_cores(model: PsfModel, *, guess: float, n_columns: int) -> CoreTable:
    """Fit the cores of noise-free stars of a model under a range of seeings.

    Parameters
    ----------
    model : PsfModel
        Its smear and exponent count, its seeing does not.
    guess : float
        FWHM about which the range is laid, px.
    n_columns : int
        Of the chip.

    Returns
    -------
    CoreTable
    """
    widths = guess * np.geomspace(*_RANGE, _WIDTHS)
    columns = np.linspace(0.0, n_columns - 1.0, min(_COLUMNS, n_columns))
    variance = np.full((widths.size, columns.size, 2), np.nan)
    for w, width in enumerate(widths):
        seen = model.with_seeing(model.beta, float(width))
        for c, column in enumerate(columns):
            fits = [fit_core(seen.render(dl, round(column) + dc, REACH)) for dl, dc in _OFFSETS]
            known = [(f[3], f[5]) for f in fits if f is not None]
            if known:
                variance[w, c] = np.mean(known, axis=0)
    # A core of a few pixels is no paraboloid any more: below there, widths tell nothing.
    for w in range(widths.size - 2, -1, -1):
        variance[w][~(variance[w] < variance[w + 1])] = np.nan
    return CoreTable(widths, columns, variance)
