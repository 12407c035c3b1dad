"""Sky, clouds and seeing as functions of time, and the sky a drifting packet integrates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.scenario import Scenario, StripPlan

__all__ = ["Weather", "integrate_window", "make_weather"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Weather:
    """One value a clock period; element 0 is the period that ends with the read `first`.

    `sky` and `scattered` are electrons per second and pixel, `fwhm` in pixels.
    """

    first: int
    sky: Floats
    scattered: Floats
    transparency: Floats
    fwhm: Floats


def _seeing(rng: np.random.Generator, seconds: Floats, plan: StripPlan) -> Floats:
    """Smooth wander between `low` and `high`, no component faster than `period`."""
    total = np.zeros_like(seconds)
    norm = 0.0
    for period in plan.seeing.period * np.array([1.0, 1.6, 2.7, 5.1]):
        size = rng.uniform(0.5, 1.0) * (period / plan.seeing.period) ** 0.5
        total += size * np.sin(2 * np.pi * seconds / period + rng.uniform(0, 2 * np.pi))
        norm += 0.5 * size**2
    wave = np.tanh(total / np.sqrt(norm)) / np.tanh(2.5)
    middle = 0.5 * (plan.seeing.low + plan.seeing.high)
    half = 0.5 * (plan.seeing.high - plan.seeing.low)
    return np.clip(middle + half * wave, plan.seeing.low, plan.seeing.high)


def make_weather(scenario: Scenario, plan: StripPlan, rng: np.random.Generator) -> Weather:
    """Evaluate the weather in the middle of every clock period of a strip.

    Parameters
    ----------
    scenario, plan : Scenario, StripPlan
        What is observed.
    rng : Generator
        Phases of the waves; the caller seeds it with the strip.

    Returns
    -------
    Weather
        Covers two exposures before and after the strip.
    """
    camera = scenario.camera
    margin = 2 * camera.n_stage
    period = np.arange(-margin, plan.n_lines + margin)
    seconds = np.asarray((period - 0.5) * camera.line_period, dtype=np.float64)
    duration = plan.n_lines * camera.line_period
    extinction = np.full_like(seconds, plan.extinction)
    for cloud in plan.clouds:
        z = (period - cloud.centre) / cloud.width
        extinction += cloud.depth * np.exp(-0.5 * z * z) * (1.0 + 0.25 * np.sin(4.0 * z)) / 1.1
    transparency = 10.0 ** (-0.4 * extinction)
    sky = plan.sky
    phase = rng.uniform(0, 2 * np.pi, size=3)
    since = duration - seconds if sky.twilight_at_end else seconds
    since = np.maximum(since, -camera.exposure)
    moon = sky.moon * (0.25 + 0.75 * np.sin(0.5 * np.pi * np.clip(seconds / duration, 0, 1)) ** 2)
    wave = 0.6 * np.sin(2 * np.pi * seconds / sky.airglow_period + phase[0])
    wave += 0.4 * np.sin(2 * np.pi * seconds / (2.3 * sky.airglow_period) + phase[1])
    rate = sky.level * (
        1.0 + sky.twilight * np.exp(-since / sky.twilight_time) + sky.airglow * wave
    )
    # Clouds hide a little of the sky's own light and return more from the ground.
    rate = (rate + moon) * (1.0 + 0.3 * (1.0 - transparency))
    reflection = 0.5 + 0.5 * np.cos(2 * np.pi * seconds / (0.43 * duration) + phase[2])
    return Weather(
        first=-margin,
        sky=rate if plan.shutter_open else np.zeros_like(rate),
        scattered=sky.scattered * sky.moon * reflection * (1.0 if plan.shutter_open else 0.0),
        transparency=transparency,
        fwhm=np.hypot(_seeing(rng, seconds, plan), plan.seeing.blur) / camera.pixel_scale,
    )


def integrate_window(
    weather: Weather, values: Floats, lines: NDArray[np.int64], n_stage: int
) -> tuple[Floats, NDArray[np.int64]]:
    """Sum a rate over the clock periods each line spent on the chip.

    Parameters
    ----------
    weather : Weather
        For its time axis.
    values : ndarray
        One of its arrays.
    lines : ndarray of shape (n,)
        Strip lines, >= 0.
    n_stage : int
        Rows that integrate.

    Returns
    -------
    sums : ndarray of shape (n,)
        Sum over periods max(1, l - n_stage + 1) .. l.
    counts : ndarray of shape (n,)
        Number of those periods, min(l, n_stage).
    """
    total = np.concatenate([[0.0], np.cumsum(values)])
    stop = lines + 1 - weather.first
    count = np.minimum(lines, n_stage)
    return total[stop] - total[stop - count], count
