"""One strip as a table of functions of apparent declination, and its map to the apparent sky."""

from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike

from pipeline.errors import SolutionError
from pipeline.geometry.camera import Camera, FloatArray
from pipeline.geometry.transit import Axis, average_solid_angle, average_transit, locate

__all__ = ["StripMap", "make_strip_map"]

TWO_PI = 2.0 * np.pi
DEGREES = (16, 32, 64, 128)  # tried in turn until the tail of the series is negligible
TAIL = 1e-8  # px; the largest of the last coefficients
# Beyond the chip on either side: first guesses are off, and tiles reach across the edge.
MARGIN_SHARE, MARGIN_PIXELS = 1.0, 1000.0
MARGINS = (1.0, 0.5, 0.25, 0.1, 0.0)  # shares of it, tried in turn: a pole may be near
POLE_LIMIT = np.radians(89.95)
NEWTON_STEPS = 20
NEWTON_TOLERANCE = 1e-10  # px
MEAN_COLUMNS = 257  # sampled for the mean solid angle, which varies like a parabola
COLUMNS = ("column", "line", "row", "ll", "lc", "cc", "duration", "hour_angle", "trail")


def _fit(values: FloatArray) -> FloatArray:
    """Chebyshev coefficients of values at the nodes of the first kind, functions along axis 1."""
    n = len(values)
    coefficients = 2.0 / n * (_basis(n) @ values)
    coefficients[0] *= 0.5
    return np.asarray(coefficients)


@lru_cache(maxsize=8)
def _basis(n: int) -> FloatArray:
    """Chebyshev polynomials at the nodes of the first kind, one a row."""
    angle = np.pi * (np.arange(n) + 0.5) / n
    basis = np.cos(np.outer(np.arange(n), angle))
    basis.setflags(write=False)
    return basis


@lru_cache(maxsize=8)
def _slopes(n: int) -> FloatArray:
    """Derivatives of the first n Chebyshev polynomials at 257 places, one a column."""
    slopes = chebyshev.chebval(np.linspace(-1, 1, 257), chebyshev.chebder(np.eye(n))).T
    slopes.setflags(write=False)
    return np.asarray(slopes)


@dataclass(frozen=True, eq=False)
class StripMap:
    """The functions of `Transit` tabulated over declination, for one strip.

    Made by `make_strip_map`. All positions outside the tabulated declinations (the chip and a
    margin around it) come back as NaN.

    Attributes
    ----------
    camera : Camera
    axis : Axis
    line_angle : float
        Turn of the Earth during one line period, radians.
    theta_start : float
        Local Earth rotation angle when line 0 leaves the register, radians.
    n_lines : int
        Lines of the strip; right ascensions are unwrapped about its middle.
    declination_range : tuple of float
        What the table covers, radians.
    """

    camera: Camera
    axis: Axis
    line_angle: float
    theta_start: float
    n_lines: int
    declination_range: tuple[float, float]
    _series: FloatArray = field(repr=False)

    def evaluate(self, name: str, declination: ArrayLike) -> FloatArray:
        """Value of a tabulated function.

        Parameters
        ----------
        name : str
            An attribute of `Transit`.
        declination : array_like
            Apparent, radians.

        Returns
        -------
        ndarray
            In the function's unit; NaN outside the table.
        """
        x = self._scaled(declination)
        return np.asarray(chebyshev.chebval(x, self._series[:, COLUMNS.index(name)]))

    def derivative(self, name: str, declination: ArrayLike) -> FloatArray:
        """Derivative of a tabulated function by declination, per radian."""
        low, high = self.declination_range
        series = chebyshev.chebder(self._series[:, COLUMNS.index(name)])
        return np.asarray(chebyshev.chebval(self._scaled(declination), series) * 2 / (high - low))

    @cached_property
    def _by_column(self) -> tuple[FloatArray, float, float]:
        """Series of the declination by column and the columns it covers: fits never ask for it."""
        return _invert(self._series[:, 0], *self.declination_range)

    def _scaled(self, declination: ArrayLike) -> FloatArray:
        low, high = self.declination_range
        x = (2.0 * np.asarray(declination, np.float64) - low - high) / (high - low)
        with np.errstate(invalid="ignore"):
            return np.where(np.abs(x) <= 1.0 + 1e-9, x, np.nan)

    def declination(self, column: ArrayLike) -> FloatArray:
        """Apparent declination of the stars of a (mean) column.

        Parameters
        ----------
        column : array_like
            Pixels.

        Returns
        -------
        ndarray
            Radians; NaN outside the table.
        """
        c = np.asarray(column, np.float64)
        inverse, low, high = self._by_column
        x = (2.0 * c - low - high) / (high - low)
        with np.errstate(invalid="ignore"):
            x = np.where(np.abs(x) <= 1.0 + 1e-9, x, np.nan)
        d = chebyshev.chebval(x, inverse)
        d = d - (self.evaluate("column", d) - c) / self.derivative("column", d)
        return np.asarray(d)

    def sky_to_strip(self, ra: ArrayLike, dec: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Mean line and column of stars.

        Parameters
        ----------
        ra, dec : array_like
            Apparent place (CIRS), radians.

        Returns
        -------
        line, column : ndarray
            Pixels; the crossing nearest to the middle of the strip.
        """
        ra = np.asarray(ra, np.float64)
        wanted = [COLUMNS.index(name) for name in ("hour_angle", "row", "column")]
        offset, row, column = chebyshev.chebval(self._scaled(dec), self._series[:, wanted])
        # <H> carries the whole turn; what is left of G is a few thousand lines at most.
        angle = ra - self.theta_start + offset
        middle = 0.5 * self.n_lines * self.line_angle
        angle = angle - TWO_PI * np.round((angle - middle) / TWO_PI)
        return np.asarray(angle / self.line_angle + row), np.asarray(column)

    def strip_to_sky(self, line: ArrayLike, column: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Apparent place of a mean line and column: the inverse of `sky_to_strip`.

        Parameters
        ----------
        line, column : array_like
            Pixels.

        Returns
        -------
        ra, dec : ndarray
            Apparent place (CIRS), radians; `ra` in [0, 2 pi).
        """
        dec = self.declination(column)
        line = np.asarray(line, np.float64)
        ra = (
            self.theta_start
            - self.evaluate("hour_angle", dec)
            + (line - self.evaluate("row", dec)) * self.line_angle
        )
        return np.asarray(ra % TWO_PI), dec

    def mean_angle(self, line: ArrayLike, declination: ArrayLike) -> FloatArray:
        """Turn of the Earth from line 0's read to the middle of a star's exposure, radians.

        Parameters
        ----------
        line : array_like
            The star's mean line.
        declination : array_like
            Apparent, radians.

        Returns
        -------
        ndarray
        """
        line = np.asarray(line, np.float64)
        return np.asarray((line - self.evaluate("row", declination)) * self.line_angle)

    def solid_angle_ratio(self, column: ArrayLike) -> FloatArray:
        """Pixel solid angle averaged along a column, over its mean over the imaging columns."""
        n = self.camera.n_columns
        chip = np.linspace(0.0, n - 1.0, min(n, MEAN_COLUMNS))
        mean = np.mean(average_solid_angle(self.camera, chip))
        return np.asarray(average_solid_angle(self.camera, column) / mean)


@lru_cache(maxsize=16)
def _declination_range(camera: Camera, axis: Axis, share: float) -> tuple[float, float]:
    """Declinations of the chip with a share of the full margin."""
    reach = share * (MARGIN_SHARE * camera.n_columns + MARGIN_PIXELS) + 2.0
    edges = np.array([-reach, camera.n_columns - 1 + reach])
    # A rotated or curved path averages to another column than its middle's: take the extremes
    # over the rows.
    columns, rows = np.meshgrid(edges, np.linspace(0.0, camera.n_stage, 5), indexing="ij")
    hour_angle, dec = locate(axis, *camera.unproject(columns, rows))
    highest = float(np.max(np.abs(dec)))
    if highest > POLE_LIMIT or np.max(np.abs(hour_angle - axis.hour_angle)) > np.pi / 2:
        raise SolutionError(
            "the chip comes too near the celestial pole for drift scanning: it reaches "
            f"declination {np.degrees(highest):.3f} degrees, the axis is at "
            f"{np.degrees(axis.declination):.4f} degrees"
        )
    return float(np.min(dec)), float(np.max(dec))


# A fit asks again and again: another clock alone leaves the table as it is.
@lru_cache(maxsize=16)
def _tabulate(camera: Camera, axis: Axis, line_angle: float, low: float, high: float) -> FloatArray:
    """Chebyshev coefficients of all functions over a range of declination."""
    size = np.ones(len(COLUMNS))
    size[COLUMNS.index("duration")] = camera.n_stage
    size[COLUMNS.index("hour_angle")] = 1.0 / line_angle
    for n in DEGREES:
        nodes = np.cos(np.pi * (np.arange(n) + 0.5) / n)
        declination = 0.5 * (low + high) + 0.5 * (high - low) * nodes
        transit = average_transit(camera, axis, declination, line_angle=line_angle)
        values = np.stack([getattr(transit, name) for name in COLUMNS], axis=1)
        series = _fit(values)
        # Rounding alone leaves some parts in 1e14 of the largest value in each coefficient.
        floor = 1e-13 * np.max(np.abs(values * size), axis=0)
        if np.all(np.abs(series[-3:] * size) < np.maximum(TAIL, floor)):
            break
    else:
        raise SolutionError(
            "the path of the stars is not smooth over the chip; the distortion "
            f"camera.radial = {camera.radial} is too strong for its field"
        )
    slope = _slopes(n) @ series[:, 0]
    if np.min(slope) * np.max(slope) <= 0:
        raise SolutionError(
            "two declinations share a column: the field is folded over; check the axis "
            f"declination and camera.radial = {camera.radial}"
        )
    series.setflags(write=False)  # shared by all who ask
    return series


def _invert(series: FloatArray, low: float, high: float) -> tuple[FloatArray, float, float]:
    """Declination as a Chebyshev series of the column, and the columns it covers."""
    derivative = chebyshev.chebder(series)
    ends = chebyshev.chebval(np.array([-1.0, 1.0]), series)
    first, last = float(np.min(ends)), float(np.max(ends))
    n = len(series)
    nodes = np.cos(np.pi * (np.arange(n) + 0.5) / n)
    columns = 0.5 * (first + last) + 0.5 * (last - first) * nodes
    x = nodes * np.sign(ends[1] - ends[0])
    for _ in range(NEWTON_STEPS):
        step = (chebyshev.chebval(x, series) - columns) / chebyshev.chebval(x, derivative)
        x = np.clip(x - step, -1.0, 1.0)
        if np.max(np.abs(step)) * (last - first) < NEWTON_TOLERANCE:
            break
    declination = 0.5 * (low + high) + 0.5 * (high - low) * x
    return _fit(declination[:, None])[:, 0], first, last


def make_strip_map(
    camera: Camera, axis: Axis, *, line_angle: float, theta_start: float, n_lines: int
) -> StripMap:
    """Tabulate a strip's functions of declination.

    Parameters
    ----------
    camera : Camera
    axis : Axis
    line_angle : float
        Turn of the Earth during one line period, radians.
    theta_start : float
        Local Earth rotation angle when line 0 leaves the register, radians.
    n_lines : int
        Lines of the strip.

    Returns
    -------
    StripMap

    Raises
    ------
    ValueError
        If `line_angle` or `n_lines` is not positive, or the strip is a turn long.
    SolutionError
        If the chip reaches the pole, a star does not cross it, or the distortion folds it.
    """
    if not (np.isfinite(line_angle) and line_angle > 0):
        raise ValueError(f"line_angle must be positive (radians), got {line_angle}")
    if n_lines < 1:
        raise ValueError(f"n_lines must be at least 1, got {n_lines}")
    if n_lines * line_angle >= TWO_PI:
        raise ValueError(
            "a strip must be shorter than a turn of the sky, "
            f"got n_lines {n_lines} x line_angle {line_angle} rad"
        )
    failure: SolutionError | ValueError | None = None
    for share in MARGINS:
        try:
            low, high = _declination_range(camera, axis, share)
            series = _tabulate(camera, axis, line_angle, low, high)
        except (SolutionError, ValueError) as error:
            failure = error
            continue
        break
    else:
        raise SolutionError(str(failure)) from failure
    return StripMap(
        camera=camera,
        axis=axis,
        line_angle=float(line_angle),
        theta_start=float(theta_start),
        n_lines=int(n_lines),
        declination_range=(low, high),
        _series=series,
    )
