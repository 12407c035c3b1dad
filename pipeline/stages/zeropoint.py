"""Zero point of a strip along its lines, and the clouds it shows.

Charge integrates over `n_stage` rows, so a star's flux carries the transparency averaged over
`n_stage` line periods: the zero point cannot change faster, and its knots lie half that apart.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import SolutionError
from pipeline.stages.smooth import SmoothCurve, fit_smooth_curve

__all__ = ["ZeroPointCurve", "ZeroPointOptions", "fit_zero_point"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ZeroPointOptions:
    """Tuning of the zero-point curve.

    Attributes
    ----------
    knots_per_stage : float
        Knots within `n_stage` lines; at most 2.
    cloud_extinction : float
        Extinction below the strip's clear level from which a line counts as cloudy, mag.
    max_error : float
        A line whose zero point is less certain than this counts as cloudy, mag.
    clear_percentile : float
        The clear level is this percentile of the curve.
    """

    knots_per_stage: float = 2.0
    cloud_extinction: float = 0.3
    max_error: float = 0.05
    clear_percentile: float = 90.0

    def __post_init__(self) -> None:
        """Check the values."""
        if not 0 < self.knots_per_stage <= 2:
            raise ValueError(
                f"knots_per_stage: must be above 0 and at most 2, got {self.knots_per_stage}"
            )
        for name in ("cloud_extinction", "max_error"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name}: must be positive, got {getattr(self, name)}")
        if not 0 < self.clear_percentile <= 100:
            raise ValueError(f"clear_percentile: must be in (0, 100], got {self.clear_percentile}")


@dataclass(frozen=True, eq=False)
class ZeroPointCurve:
    """Zero point: ``mag = value(line) - 2.5 log10(flux)``.

    Attributes
    ----------
    curve : SmoothCurve
    clear_level : float
        Zero point of the strip's clear parts, mag.
    rms : float
        Robust scatter of the stars about the curve, mag.
    floor : float
        Scatter beyond the errors of flux and reference, mag.
    n_stars : int
        Stars used.
    options : ZeroPointOptions
    """

    curve: SmoothCurve
    clear_level: float
    rms: float
    floor: float
    n_stars: int
    options: ZeroPointOptions

    def value(self, line: ArrayLike) -> FloatArray:
        """Zero point at global lines, mag."""
        return self.curve.value(line)

    def error(self, line: ArrayLike) -> FloatArray:
        """Standard error of the zero point, mag."""
        return self.curve.error(line)

    def extinction(self, line: ArrayLike) -> FloatArray:
        """Light lost with respect to the clear level, mag; slightly negative in the best parts."""
        return self.clear_level - self.value(line)

    def cloudy(self, line: ArrayLike) -> NDArray[np.bool_]:
        """Lines whose extinction is beyond the limit, or whose zero point is too uncertain."""
        cloud = self.extinction(line) > self.options.cloud_extinction
        return cloud | (self.error(line) > self.options.max_error)


def fit_zero_point(
    line: ArrayLike,
    delta_mag: ArrayLike,
    delta_mag_err: ArrayLike,
    *,
    n_lines: int,
    n_stage: int,
    options: ZeroPointOptions,
) -> ZeroPointCurve:
    """Fit the zero point of a strip.

    Parameters
    ----------
    line : array_like of shape (n,)
        Global lines of the reference stars.
    delta_mag : array_like of shape (n,)
        Reference magnitude plus ``2.5 log10(flux)`` of each star.
    delta_mag_err : array_like of shape (n,)
        Standard error of that: flux and reference magnitude. Stars with a value that is not
        finite are left out.
    n_lines, n_stage : int
        Of the strip.
    options : ZeroPointOptions

    Returns
    -------
    ZeroPointCurve
        Robust against variable and mismatched stars; a constant when there are very few stars.

    Raises
    ------
    SolutionError
        No star is usable.
    ValueError
        The shapes disagree.
    """
    if n_lines < 1 or n_stage < 1:
        raise ValueError(f"n_lines, n_stage: must be positive, got {n_lines}, {n_stage}")
    line, delta_mag, delta_mag_err = (
        np.asarray(a, dtype=float) for a in (line, delta_mag, delta_mag_err)
    )
    if not line.shape == delta_mag.shape == delta_mag_err.shape or line.ndim != 1:
        raise ValueError("line, delta_mag, delta_mag_err: must be one-dimensional, of one shape")
    usable = np.isfinite(line + delta_mag + delta_mag_err) & (delta_mag_err > 0)
    if not np.any(usable):
        raise SolutionError(
            f"zero point: none of {line.size} matched stars has a usable magnitude difference; "
            "is the whole strip clouded, is the reference catalogue's magnitude column that of "
            "this filter, does the geometry fit the sky?"
        )
    curve = fit_smooth_curve(
        line,
        delta_mag,
        delta_mag_err,
        start=0.0,
        stop=float(n_lines),
        min_knot_spacing=n_stage / options.knots_per_stage,
    )
    # Steps of a quarter of the integration resolve the curve. Where there is no star (ramp, gaps
    # at the ends) the curve is a guess that must not say what clear is.
    first, last = float(line[usable].min()), float(line[usable].max())
    at = np.linspace(first, last, max(2, int(4 * (last - first) // n_stage) + 1))
    level = float(np.percentile(curve.value(at), options.clear_percentile))
    return ZeroPointCurve(
        curve=curve,
        clear_level=level,
        rms=curve.rms,
        floor=curve.floor,
        n_stars=int(np.count_nonzero(curve.used)),
        options=options,
    )
