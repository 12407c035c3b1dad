"""Cosmic rays, which hit one packet, and satellites, which cross the chip in a moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.moffat import CORE_RADIUS, ProfileTable
from synthetic.scenario import Scenario, StripPlan
from synthetic.spreading import drop_points
from synthetic.weather import Weather

__all__ = ["TRAIL_FLOOR", "Hits", "add_satellites", "make_cosmic_rays"]

Floats = NDArray[np.float64]

# Electrons from which a pixel belongs to the recorded trail of a satellite.
TRAIL_FLOOR = 5.0
_STEP = 0.2  # px between the points of a trail


@dataclass(frozen=True)
class Hits:
    """Pixels hit by cosmic rays: indices within the chunk and electrons."""

    line: NDArray[np.int64]
    column: NDArray[np.int64]
    electrons: Floats


def make_cosmic_rays(rng: np.random.Generator, shape: tuple[int, int], rate: float) -> Hits:
    """Invent single hits and short tracks of 1 to 6 pixels, 200 to 20 000 electrons each.

    Parameters
    ----------
    rng : Generator
        Source of randomness.
    shape : tuple of int
        Lines and columns.
    rate : float
        Events per million pixels.

    Returns
    -------
    Hits
        No pixel twice.
    """
    total: dict[tuple[int, int], float] = {}
    for _ in range(rng.poisson(rate * shape[0] * shape[1] / 1e6)):
        line, column = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        energy = 200.0 * 100.0 ** rng.uniform()
        length = 1 + min(int(rng.exponential(1.2)), 5)
        angle = rng.uniform(0, np.pi)
        shares = rng.uniform(0.5, 1.5, size=length)
        for step, share in enumerate(energy * shares / shares.sum()):
            at = (int(line + step * np.sin(angle)), int(column + step * np.cos(angle)))
            if 0 <= at[0] < shape[0] and 0 <= at[1] < shape[1]:
                total[at] = total.get(at, 0.0) + float(share)
    keys = np.array(sorted(total), dtype=np.int64).reshape(-1, 2)
    values = np.array([total[(int(a), int(b))] for a, b in keys], dtype=np.float64)
    return Hits(line=keys[:, 0], column=keys[:, 1], electrons=values)


def add_satellites(
    image: Floats,
    first_line: int,
    *,
    scenario: Scenario,
    plan: StripPlan,
    weather: Weather,
    table: ProfileTable,
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], Floats]:
    """Draw the satellites of a strip into a chunk of it, in place.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Electrons, added to; its line 0 is strip line `first_line`.
    first_line : int
        Strip line of image line 0.
    scenario, plan, weather, table
        What is observed and under which seeing.
    rng : Generator
        Seeded with the strip, so that every chunk sees the same satellites.

    Returns
    -------
    pixels : ndarray of shape (m, 2)
        Image line and column of pixels with more than TRAIL_FLOOR electrons of trail.
    electrons : ndarray of shape (m,)
        Of the trails there, for a response of 1.
    """
    camera = scenario.camera
    trails = np.zeros_like(image) if plan.satellites else image[:0]
    for _ in range(plan.satellites):
        middle = rng.uniform(0.3, 0.9) * plan.n_lines * camera.line_period
        column = camera.columns * rng.uniform(0.35, 0.65)
        height = camera.n_stage * rng.uniform(0.35, 0.65)
        speed = rng.uniform(600.0, 2400.0) / camera.pixel_scale  # px/s
        angle = np.radians(rng.uniform(15.0, 75.0)) * rng.choice([-1.0, 1.0])
        density = 10.0 ** rng.uniform(3.0, 4.3)  # electrons per px of trail
        reach = 1.5 * np.hypot(camera.columns, camera.n_stage)
        path = np.arange(-reach, reach, _STEP)
        seconds = middle + path / speed
        period = np.floor(seconds / camera.line_period).astype(np.int64) + 1
        y = height + path * np.cos(angle)
        x = column + path * np.sin(angle)
        lines = period + y - 0.5
        margin = CORE_RADIUS + 2
        keep = (
            (y > -margin)
            & (y < camera.n_stage + margin)
            & (x > -margin)
            & (x < camera.columns + margin)
            & (lines > first_line - margin)
            & (lines < first_line + image.shape[0] + margin)
            & (period >= 1)
        )
        if not keep.any():
            continue
        slot = np.clip(period[keep] - weather.first, 0, len(weather.fwhm) - 1)
        rungs = (np.log(weather.fwhm[slot]) - table.log_first) / table.log_step
        drop_points(
            trails,
            first_line,
            lines[keep],
            x[keep],
            np.full(int(keep.sum()), density * _STEP),
            np.clip(rungs, 0, table.values.shape[0] - 1),
            period[keep],
            period[keep] + camera.n_stage,
            CORE_RADIUS,
            table.values,
        )
    if plan.satellites:
        image += trails
    found = np.argwhere(trails > TRAIL_FLOOR)
    return found, trails[found[:, 0], found[:, 1]]
