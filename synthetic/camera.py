"""From observed directions to places on the chip, and the polynomials between instants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.place import observe, open_sight
from synthetic.scenario import ARCSEC_PER_RADIAN, ROTATION_RATE, CameraSpec, Scenario, StripPlan

__all__ = ["N_NODES", "Paths", "estimate_lines", "measure_solid_angle", "project", "trace_paths"]

Floats = NDArray[np.float64]

N_NODES = 8
_NODES_PER_EXPOSURE = 4


def project(camera: CameraSpec, hour_angle: Floats, declination: Floats) -> tuple[Floats, Floats]:
    """Column and height above the serial register of observed directions.

    Parameters
    ----------
    camera : CameraSpec
        True camera and axis.
    hour_angle, declination : ndarray
        Observed place, rad.

    Returns
    -------
    tuple of ndarray
        X (columns, pixel centres at integers) and Y (rows, row j covers j..j+1).
    """
    h0, d0 = np.radians(camera.axis_hour_angle), np.radians(camera.axis_declination)
    # Unit vectors of the axis and of its tangent plane: west along growing hour angle, north.
    axis = np.array([np.cos(d0) * np.cos(h0), np.cos(d0) * np.sin(h0), np.sin(d0)])
    west = np.array([-np.sin(h0), np.cos(h0), 0.0])
    north = np.array([-np.sin(d0) * np.cos(h0), -np.sin(d0) * np.sin(h0), np.cos(d0)])
    star = np.stack(
        [
            np.cos(declination) * np.cos(hour_angle),
            np.cos(declination) * np.sin(hour_angle),
            np.sin(declination),
        ],
        axis=-1,
    )
    along = star @ axis
    xi, eta = (star @ west) / along, (star @ north) / along
    r2 = xi * xi + eta * eta
    k1, k2 = camera.radial_distortion
    stretch = (1.0 + k1 * r2 + k2 * r2 * r2) * ARCSEC_PER_RADIAN / camera.pixel_scale
    u = -xi * stretch
    v = camera.column_sign * eta * stretch
    angle = np.radians(camera.rotation)
    column, height = camera.centre
    return (
        column + np.cos(angle) * v - np.sin(angle) * u,
        height + np.sin(angle) * v + np.cos(angle) * u,
    )


def measure_solid_angle(camera: CameraSpec, samples: int = 64) -> Floats:
    """Sky area of each column's pixels over that of a pixel on the axis, mean over the rows.

    Parameters
    ----------
    camera : CameraSpec
        True camera.
    samples : int
        Rows at which the area is taken.

    Returns
    -------
    ndarray of shape (columns,)
    """
    scale = ARCSEC_PER_RADIAN / camera.pixel_scale
    column, height = camera.centre
    x = np.arange(camera.columns)[None, :] - column
    y = (np.arange(samples)[:, None] + 0.5) * camera.n_stage / samples - height
    k1, k2 = camera.radial_distortion
    bent = np.hypot(x, y) / scale
    r = bent.copy()
    for _ in range(20):
        r = bent / (1.0 + k1 * r**2 + k2 * r**4)
    jacobian = (1.0 + k1 * r**2 + k2 * r**4) * (1.0 + 3 * k1 * r**2 + 5 * k2 * r**4)
    area = 1.0 / (jacobian * (1.0 + r**2) ** 1.5)
    return np.asarray(area.mean(axis=0), dtype=np.float64)


@dataclass(frozen=True)
class Paths:
    """Polynomials in `(t - centre) / exposure` for column and height of each star."""

    centre: Floats  # (n,) seconds after line 0
    column: Floats  # (n, N_NODES)
    height: Floats  # (n, N_NODES)


def _transit_times(scenario: Scenario, plan: StripPlan, ra: Floats, dec: Floats) -> Floats:
    """Seconds after line 0 at which each star passes the hour angle of the axis."""
    middle = 0.5 * plan.n_lines * scenario.camera.line_period
    sight = open_sight(scenario.site, plan.mjd_start, middle)
    hour_angle, _ = observe(sight, ra, dec)
    behind = np.radians(scenario.camera.axis_hour_angle) - hour_angle
    behind = (behind + np.pi) % (2 * np.pi) - np.pi
    return np.asarray(middle + behind / ROTATION_RATE, dtype=np.float64)


def estimate_lines(scenario: Scenario, plan: StripPlan, ra: Floats, dec: Floats) -> Floats:
    """Line of each star, good to a few lines; for handing out work only."""
    times = _transit_times(scenario, plan, ra, dec)
    camera = scenario.camera
    _, declination = observe(open_sight(scenario.site, plan.mjd_start), ra, dec)
    axis = np.full_like(declination, np.radians(camera.axis_hour_angle))
    _, height = project(camera, axis, declination)
    return np.asarray(times / camera.line_period + height, dtype=np.float64)


def _wander(plan: StripPlan, exposure: float, seconds: float) -> tuple[float, float]:
    """Slow wander of the line of sight (arcsec; along columns, along rows)."""
    phase = 2 * np.pi * seconds / exposure
    across = 0.7 * np.sin(phase / 7.3 + 0.4) + 0.3 * np.sin(phase / 4.1 + 2.0)
    along = 0.6 * np.sin(phase / 5.9 + 1.1) + 0.4 * np.cos(phase / 11.0)
    return plan.wander * float(across), plan.wander * float(along)


def trace_paths(
    scenario: Scenario,
    plan: StripPlan,
    ra: Floats,
    dec: Floats,
    *,
    ra_rate: Floats,
    dec_rate: Floats,
) -> Paths:
    """Follow stars over the chip through ERFA at instants a quarter of an exposure apart.

    Parameters
    ----------
    scenario, plan : Scenario, StripPlan
        What is observed.
    ra, dec : ndarray of shape (n,)
        Astrometric ICRS place at the strip's line 0, rad.
    ra_rate, dec_rate : ndarray of shape (n,)
        Motion, rad/s of coordinate (zero but for moving objects).

    Returns
    -------
    Paths
        Degree-7 interpolation through the eight instants around each crossing.
    """
    camera = scenario.camera
    step = camera.exposure / _NODES_PER_EXPOSURE
    middle = _transit_times(scenario, plan, ra, dec)
    # The crossing of an off-axis or rotated column is centred where Y is half way, not at transit.
    _, declination = observe(open_sight(scenario.site, plan.mjd_start), ra, dec)
    axis = np.full_like(declination, np.radians(camera.axis_hour_angle))
    _, height = project(camera, axis, declination)
    middle = middle + (height - 0.5 * camera.n_stage) * camera.line_period
    first = np.floor(middle / step).astype(np.int64) - (N_NODES // 2 - 1)
    x = np.empty((len(ra), N_NODES))
    y = np.empty((len(ra), N_NODES))
    needed = np.unique(first[:, None] + np.arange(N_NODES)) if len(ra) else first
    for node in needed:
        slot = node - first
        rows = np.flatnonzero((slot >= 0) & (slot < N_NODES))
        seconds = node * step
        sight = open_sight(scenario.site, plan.mjd_start, seconds)
        hour_angle, declination = observe(
            sight, ra[rows] + ra_rate[rows] * seconds, dec[rows] + dec_rate[rows] * seconds
        )
        column, height = project(camera, hour_angle, declination)
        across, along = _wander(plan, camera.exposure, seconds)
        x[rows, slot[rows]] = column + across / camera.pixel_scale
        y[rows, slot[rows]] = height + along / camera.pixel_scale
    where = (np.arange(N_NODES) - 0.5 * (N_NODES - 1)) / _NODES_PER_EXPOSURE
    inverse = np.linalg.inv(np.vander(where, increasing=True))
    return Paths(
        centre=np.asarray((first + 0.5 * (N_NODES - 1)) * step, dtype=np.float64),
        column=np.ascontiguousarray(x @ inverse.T),
        height=np.ascontiguousarray(y @ inverse.T),
    )
