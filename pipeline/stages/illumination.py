"""Illumination of the chip by stars: what a response made from the sky leaves on their fluxes.

The sky fills the field evenly only as far as no light reaches the chip beside the optical path:
a flat made from it carries that light, and stars, which come by the path alone, then differ
smoothly from column to column. Reference stars tell, once the zero point of each line is known.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import SolutionError
from pipeline.stages.smooth import SmoothCurve, fit_smooth_curve

__all__ = ["Illumination", "IlluminationOptions", "fit_illumination"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class IlluminationOptions:
    """Tuning of the illumination curve.

    Attributes
    ----------
    intervals : int
        Most intervals of the curve across the chip; how many of them bend, the stars decide.
    min_stars : int
        With fewer stars nothing is measured.
    """

    intervals: int = 8
    min_stars: int = 50

    def __post_init__(self) -> None:
        """Check the values."""
        if self.intervals < 1:
            raise ValueError(f"intervals: must be at least 1, got {self.intervals}")
        if self.min_stars < 6:
            raise ValueError(f"min_stars: must be at least 6, got {self.min_stars}")


@dataclass(frozen=True, eq=False)
class Illumination:
    """Excess of stars over the response by column, magnitudes; its mean over the columns is zero.

    Attributes
    ----------
    curve : SmoothCurve
        Of the excess plus `mean`.
    mean : float
        Taken off, since the zero point holds it.
    n_columns : int
        Chip columns.
    n_stars : int
        Stars used.
    rms : float
        Robust scatter of the stars about the curve, mag.
    """

    curve: SmoothCurve
    mean: float
    n_columns: int
    n_stars: int
    rms: float

    def value(self, column: ArrayLike) -> FloatArray:
        """Magnitudes by which stars are too bright: positive where the response is too low."""
        return self.curve.value(column) - self.mean

    def error(self, column: ArrayLike) -> FloatArray:
        """Standard error of the curve, mag."""
        return self.curve.error(column)

    def factor(self, column: ArrayLike) -> FloatArray:
        """What star fluxes are to be multiplied by."""
        return np.asarray(10.0 ** (-0.4 * self.value(column)), dtype=np.float64)

    @property
    def extent(self) -> tuple[float, float]:
        """Largest minus smallest value over the chip and its error, mag."""
        columns = np.linspace(0.0, self.n_columns - 1.0, 257)
        value, error = self.value(columns), self.error(columns)
        high, low = int(np.argmax(value)), int(np.argmin(value))
        return float(value[high] - value[low]), float(np.hypot(error[high], error[low]))


def fit_illumination(
    column: ArrayLike,
    excess_mag: ArrayLike,
    excess_mag_err: ArrayLike,
    *,
    n_columns: int,
    options: IlluminationOptions,
) -> Illumination:
    """Fit the illumination of a strip.

    Parameters
    ----------
    column : array_like of shape (n,)
        Columns of the reference stars.
    excess_mag : array_like of shape (n,)
        Zero point from each star (reference magnitude plus ``2.5 log10(flux)``) less that of its
        line.
    excess_mag_err : array_like of shape (n,)
        Standard error of that. Stars with a value that is not finite are left out.
    n_columns : int
        Chip columns.
    options : IlluminationOptions

    Returns
    -------
    Illumination
        Robust against variable and mismatched stars.

    Raises
    ------
    SolutionError
        There are too few usable stars.
    ValueError
        The shapes disagree or there are fewer than two columns.
    """
    if n_columns < 2:
        raise ValueError(f"n_columns: must be at least 2, got {n_columns}")
    column, excess_mag, excess_mag_err = (
        np.asarray(a, dtype=float) for a in (column, excess_mag, excess_mag_err)
    )
    if not column.shape == excess_mag.shape == excess_mag_err.shape or column.ndim != 1:
        raise ValueError(
            "column, excess_mag, excess_mag_err: must be one-dimensional, of one shape"
        )
    usable = np.isfinite(column + excess_mag + excess_mag_err) & (excess_mag_err > 0)
    if np.count_nonzero(usable) < options.min_stars:
        raise SolutionError(
            f"illumination: {np.count_nonzero(usable)} reference stars are fewer than "
            f"{options.min_stars}"
        )
    curve = fit_smooth_curve(
        column, excess_mag, excess_mag_err, start=0.0, stop=n_columns - 1.0,
        min_knot_spacing=(n_columns - 1.0) / options.intervals,
    )  # fmt: skip
    return Illumination(
        curve=curve, mean=float(curve.value(np.arange(n_columns)).mean()), n_columns=n_columns,
        n_stars=int(np.count_nonzero(curve.used)), rms=curve.rms,
    )  # fmt: skip
