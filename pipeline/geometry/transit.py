"""One star's way across the chip: entry, exit, and averages over the time between.

Only hour angle and apparent declination enter, so everything here is a function of declination.
The fixed observer's own motion (diurnal aberration) is a constant displacement to the east in the
local frame and therefore keeps that property; it is part of `Axis`.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import SolutionError
from pipeline.geometry.camera import Camera, FloatArray

__all__ = [
    "CLOCK_VARIANCE",
    "Axis",
    "Transit",
    "average_solid_angle",
    "average_transit",
    "find_crossing",
    "locate",
    "project_star",
    "trace_path",
]

CLOCK_VARIANCE = 1.0 / 12.0  # px^2 along the scan: charge waits one line period, then jumps a row
_AT_ONCE = 1 << 14  # sources whose rows are in memory together
QUADRATURE = 16  # Gauss-Legendre nodes; the path is a low-order polynomial, see the tests
NEWTON_STEPS = 30
NEWTON_TOLERANCE = 1e-10  # px


@dataclass(frozen=True)
class Axis:
    """Where the telescope points, in the frame of the Earth's rotation.

    Parameters
    ----------
    declination, hour_angle : float
        Radians; hour angle counted to the west.
    diurnal : float, optional
        Speed of the observer over the speed of light (diurnal aberration); 0 leaves it out.
    """

    declination: float
    hour_angle: float = 0.0
    diurnal: float = 0.0

    def project(
        self, hour_angle: ArrayLike, declination: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Gnomonic coordinates of apparent hour angle and declination.

        Parameters
        ----------
        hour_angle, declination : array_like
            Radians.

        Returns
        -------
        xi, eta : ndarray
            West and north, radians.
        """
        xi, eta, _, _ = self.project_with_rate(hour_angle, declination)
        return xi, eta

    def project_with_rate(
        self, hour_angle: ArrayLike, declination: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Gnomonic coordinates and their derivatives by hour angle.

        Parameters
        ----------
        hour_angle, declination : array_like
            Radians.

        Returns
        -------
        xi, eta, xi_h, eta_h : ndarray
            Radians, and radians per radian.
        """
        h = np.asarray(hour_angle, np.float64) - self.hour_angle
        d = np.asarray(declination, np.float64)
        cos_h0, sin_h0 = np.cos(self.hour_angle), np.sin(self.hour_angle)
        cos_d0, sin_d0 = np.cos(self.declination), np.sin(self.declination)
        # Components towards the meridian below the axis, west, and the pole. The aberration points
        # east; turned into the frame of the axis's own hour angle it has both horizontal parts.
        cos_d = np.cos(d)
        px_h, py_h = -cos_d * np.sin(h), cos_d * np.cos(h)
        px = py_h - self.diurnal * sin_h0
        py = -px_h - self.diurnal * cos_h0
        pz = np.sin(d)
        depth = pz * sin_d0 + px * cos_d0
        north = pz * cos_d0 - px * sin_d0
        xi = py / depth
        eta = north / depth
        depth_h = px_h * cos_d0
        return xi, eta, (py_h - xi * depth_h) / depth, (-px_h * sin_d0 - eta * depth_h) / depth


def locate(axis: Axis, xi: ArrayLike, eta: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Apparent hour angle and declination of gnomonic coordinates: the inverse of `Axis.project`.

    Parameters
    ----------
    axis : Axis
    xi, eta : array_like
        Radians.

    Returns
    -------
    hour_angle, declination : ndarray
        Radians; exact to second order of the diurnal aberration (1e-12).
    """
    xi = np.asarray(xi, np.float64)
    eta = np.asarray(eta, np.float64)
    cos_d0, sin_d0 = np.cos(axis.declination), np.sin(axis.declination)
    norm = 1.0 / np.sqrt(1.0 + xi * xi + eta * eta)
    px = (cos_d0 - eta * sin_d0) * norm + axis.diurnal * np.sin(axis.hour_angle)
    py = xi * norm + axis.diurnal * np.cos(axis.hour_angle)
    pz = (sin_d0 + eta * cos_d0) * norm
    return axis.hour_angle + np.arctan2(py, px), np.arctan2(pz, np.hypot(px, py))


def project_star(
    camera: Camera, axis: Axis, hour_angle: ArrayLike, declination: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Column and row of a star at one instant.

    Parameters
    ----------
    camera : Camera
    axis : Axis
    hour_angle, declination : array_like
        Apparent, radians.

    Returns
    -------
    X, Y : ndarray
        Pixels.
    """
    return camera.project(*axis.project(hour_angle, declination))


def find_crossing(camera: Camera, axis: Axis, declination: ArrayLike, row: ArrayLike) -> FloatArray:
    """Hour angle at which a star crosses a row.

    Parameters
    ----------
    camera : Camera
    axis : Axis
    declination : array_like
        Apparent, radians.
    row : array_like
        Height above the serial register, pixels; broadcast against `declination`.

    Returns
    -------
    ndarray
        Hour angle, radians.

    Raises
    ------
    SolutionError
        If Newton's iteration does not reach the row: the star never crosses it.
    """
    d, y = np.broadcast_arrays(np.asarray(declination, np.float64), np.asarray(row, np.float64))
    hour_angle = np.full(d.shape, axis.hour_angle)
    worst = np.inf
    previous = np.inf
    for _ in range(NEWTON_STEPS):
        xi, eta, xi_h, eta_h = axis.project_with_rate(hour_angle, d)
        _, here = camera.project(xi, eta)
        _, _, y_xi, y_eta = camera.jacobian(xi, eta)
        miss = here - y
        worst = float(np.max(np.abs(miss), initial=0.0))
        if not np.isfinite(worst):
            break
        # Rounding sets a floor for a very fine scale: stop too once it no longer improves.
        if worst < NEWTON_TOLERANCE or (worst < 1e-7 and worst >= previous):
            return hour_angle
        previous = worst
        hour_angle = hour_angle - miss / (y_xi * xi_h + y_eta * eta_h)
    raise SolutionError(
        "a star of this declination never crosses the chip from its top row to the register: "
        f"declination {np.degrees(np.min(d)):.4f} to {np.degrees(np.max(d)):.4f} degrees, axis at "
        f"{np.degrees(axis.declination):.4f} degrees, miss {worst:.3g} px; "
        "check the axis declination, the pixel scale and the number of rows"
    )


@dataclass(frozen=True)
class Transit:
    """Averages over one transit, each an array over the declinations asked for.

    Attributes
    ----------
    column, line : ndarray
        ``F = <X>`` and ``G = <H / line_angle + Y>``, pixels.
    row : ndarray
        Mean height above the register, pixels.
    ll, lc, cc : ndarray
        Second central moments of line and column, pixels^2, of the motion alone: add
        `CLOCK_VARIANCE` to `ll` for the discrete clocking.
    duration : ndarray
        Transit time over ``n_stage`` line periods.
    hour_angle : ndarray
        Mean hour angle, radians.
    trail : ndarray
        Column at exit minus column at entry, pixels.
    """

    column: FloatArray
    line: FloatArray
    row: FloatArray
    ll: FloatArray
    lc: FloatArray
    cc: FloatArray
    duration: FloatArray
    hour_angle: FloatArray
    trail: FloatArray


@lru_cache(maxsize=32)
def _legendre(n: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(n)
    nodes.setflags(write=False)
    weights.setflags(write=False)
    return nodes, weights


def _sample(
    camera: Camera, axis: Axis, declination: FloatArray, n: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Hour angle, column and row at `n` quadrature nodes (last axis), weights, and the ends."""
    nodes, weights = _legendre(n)
    d = np.asarray(declination, np.float64)
    ends = find_crossing(camera, axis, d[..., None], np.array([camera.n_stage, 0.0]))
    middle = 0.5 * (ends[..., :1] + ends[..., 1:])
    half = 0.5 * (ends[..., 1:] - ends[..., :1])
    hour_angle = middle + half * nodes
    column, row = project_star(camera, axis, hour_angle, d[..., None])
    return hour_angle, column, row, weights / 2.0, ends


def average_transit(
    camera: Camera, axis: Axis, declination: ArrayLike, *, line_angle: float
) -> Transit:
    """Averages over a transit, by Gauss-Legendre quadrature in time.

    Parameters
    ----------
    camera : Camera
    axis : Axis
    declination : array_like
        Apparent, radians.
    line_angle : float
        Turn of the Earth during one line period, radians.

    Returns
    -------
    Transit

    Raises
    ------
    SolutionError
        If a star does not cross the chip.
    """
    d = np.asarray(declination, np.float64)
    hour_angle, column, row, weights, ends = _sample(camera, axis, d, QUADRATURE)
    mean_h = hour_angle @ weights
    line = (hour_angle - mean_h[..., None]) / line_angle + row  # small numbers: no cancellation
    mean_line = line @ weights
    mean_column = column @ weights
    dl = line - mean_line[..., None]
    dc = column - mean_column[..., None]
    ends_column, _ = project_star(camera, axis, ends, d[..., None])
    return Transit(
        column=mean_column,
        line=mean_line + mean_h / line_angle,
        row=row @ weights,
        ll=(dl * dl) @ weights,
        lc=(dl * dc) @ weights,
        cc=(dc * dc) @ weights,
        duration=(ends[..., 1] - ends[..., 0]) / (line_angle * camera.n_stage),
        hour_angle=mean_h,
        trail=ends_column[..., 1] - ends_column[..., 0],
    )


def trace_path(
    camera: Camera, axis: Axis, declination: ArrayLike, *, line_angle: float, n: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Path of a star against its charge packet, for models of the point spread.

    Parameters
    ----------
    camera : Camera
    axis : Axis
    declination : array_like of shape (...)
        Apparent, radians.
    line_angle : float
        Turn of the Earth during one line period, radians.
    n : int
        Number of nodes.

    Returns
    -------
    dl, dc : ndarray of shape (..., n)
        Offsets from the star's mean line and column, pixels, from entry to exit.
    weights : ndarray of shape (n,)
        Share of the exposure; sums to 1. The weighted mean of the offsets is zero.
    """
    if n < 1:
        raise ValueError(f"n must be at least 1, got {n}")
    d = np.asarray(declination, np.float64)
    hour_angle, column, row, weights, _ = _sample(camera, axis, d, n)
    line = (hour_angle - (hour_angle @ weights)[..., None]) / line_angle + row
    dl = line - (line @ weights)[..., None]
    dc = column - (column @ weights)[..., None]
    return dl, dc, weights


def average_solid_angle(camera: Camera, column: ArrayLike) -> FloatArray:
    """Solid angle of a pixel averaged along the rows of its column.

    A charge packet spends equal time in each row, so this is what the sky fills.

    Parameters
    ----------
    camera : Camera
    column : array_like
        Pixels.

    Returns
    -------
    ndarray
        Steradians.
    """
    nodes, weights = _legendre(QUADRATURE)
    x = np.asarray(column, np.float64)
    rows = camera.n_stage * 0.5 * (1.0 + nodes)
    out = np.empty(x.size)
    # A long strip has hundreds of thousands of sources, each with a row of numbers for a while.
    for first in range(0, x.size, _AT_ONCE):
        piece = x.ravel()[first : first + _AT_ONCE, None]
        omega = camera.solid_angle(*np.broadcast_arrays(piece, rows))
        out[first : first + _AT_ONCE] = omega @ (weights / 2.0)
    return out.reshape(x.shape)
