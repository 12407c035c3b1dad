"""One segment of one strip: the unit of work, the same whoever computes it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from synthetic.artefacts import add_satellites, make_cosmic_rays
from synthetic.camera import Paths, measure_solid_angle, trace_paths
from synthetic.clocking import TRUTH_COLUMNS, clock_stars
from synthetic.detector import (
    BLEED_REACH,
    CHUNK_REACH,
    bend,
    bleed,
    hold_back,
    make_detector,
    read_out,
)
from synthetic.faults import lose_lines, lose_sources
from synthetic.field import Visit
from synthetic.files import write_segment
from synthetic.moffat import ProfileTable, choose_radius, tabulate_profile
from synthetic.scenario import Scenario, StripPlan
from synthetic.weather import Weather, integrate_window, make_weather

__all__ = [
    "CHUNK_MARGIN",
    "Segment",
    "SegmentResult",
    "expose_stars",
    "make_segment",
    "strip_weather",
]

Floats = NDArray[np.float64]

# Stars this far (lines) beyond the lines computed are still looked at.
CHUNK_MARGIN = 200
# Lines that share one stream of noise: fixed, so that segmenting changes no pixel's draw.
_NOISE_BLOCK = 256


@dataclass(frozen=True)
class Segment:
    """Lines `start`..`stop` of a strip, and the stars that may fall on them."""

    scenario: Scenario
    plan: StripPlan
    strip_number: int
    number: int
    start: int
    stop: int
    visit: Visit
    path: Path


@dataclass(frozen=True)
class SegmentResult:
    """Truth of the sources whose line lies in the segment, and artefacts (strip coordinates).

    `bleed` lists pixels that gave or took charge above full well.
    """

    number: int
    sources: dict[str, NDArray[Any]]
    cosmic: NDArray[np.int32]
    cosmic_e: NDArray[np.float32]
    trail: NDArray[np.int32]
    trail_e: NDArray[np.float32]
    bleed: NDArray[np.int32]


@lru_cache(maxsize=4)
def _table(low: float, high: float, beta: float) -> ProfileTable:
    return tabulate_profile(low, high, beta)


def strip_weather(scenario: Scenario, plan: StripPlan, strip_number: int) -> Weather:
    """Weather of a strip; every segment evaluates the same."""
    return make_weather(scenario, plan, np.random.default_rng([scenario.seed, 31, strip_number]))


def expose_stars(
    image: Floats,
    first_line: int,
    *,
    scenario: Scenario,
    weather: Weather,
    paths: Paths,
    mag: Floats,
) -> Floats:
    """Move stars over the chip and add their light to an image.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Electrons at response 1, added to; its line 0 is strip line `first_line`.
    first_line : int
        Strip line of image line 0.
    scenario, weather, paths
        What is observed, and how.
    mag : ndarray of shape (n,)
        Magnitudes.

    Returns
    -------
    ndarray of shape (n, len(TRUTH_COLUMNS))
    """
    camera = scenario.camera
    flux = 10.0 ** (-0.4 * (mag - scenario.zero_point))
    widest = float(weather.fwhm.max())
    table = _table(float(weather.fwhm.min()), widest, scenario.beta)
    node, weight = np.polynomial.legendre.leggauss(scenario.sub_steps)
    return np.asarray(
        clock_stars(
            image,
            first_line,
            paths.centre,
            paths.column,
            paths.height,
            flux / camera.exposure,
            choose_radius(flux, widest, scenario.beta),
            camera.n_stage,
            camera.line_period,
            weather.first,
            weather.transparency,
            weather.fwhm,
            table.values,
            table.log_first,
            table.log_step,
            scenario.beta,
            0.5 * (node + 1.0),
            0.5 * weight,
        )
    )


def _list_sources(segment: Segment, truth: Floats) -> dict[str, NDArray[Any]]:
    """Truth table rows of the sources that belong to this segment."""
    scenario, plan, visit = segment.scenario, segment.plan, segment.visit
    camera = scenario.camera
    t = {name: truth[:, n] for n, name in enumerate(TRUTH_COLUMNS)}
    last = segment.stop >= plan.n_lines
    low = -np.inf if segment.start == 0 else segment.start - 0.5
    high = np.inf if last else segment.stop - 0.5
    with np.errstate(invalid="ignore"):
        keep = (t["line"] >= low) & (t["line"] < high) & (t["exposure"] > 0)
        keep &= (t["line"] > -CHUNK_MARGIN) & (t["line"] < plan.n_lines + CHUNK_MARGIN)
        keep &= t["column_high"] > -CHUNK_MARGIN
        keep &= t["column_low"] < camera.columns + CHUNK_MARGIN
        complete = (
            (t["entry"] >= 0.0)
            & (t["line"] < plan.n_lines - 1 - 2 * t["fwhm"])
            & (t["column_low"] > t["fwhm"])
            & (t["column_high"] < camera.columns - 1 - t["fwhm"])
        )
    rows = np.flatnonzero(keep)
    t = {name: values[rows] for name, values in t.items()}
    flux_t0 = 10.0 ** (-0.4 * (visit.mag[rows] - scenario.zero_point))
    return {
        "star_id": visit.index[rows],
        "line": t["line"],
        "column": t["column"],
        "flux": flux_t0 * t["exposure"] / camera.exposure,
        "flux_t0": flux_t0,
        "transparency": t["transparency"],
        "mag": visit.mag[rows],
        "mjd_mid": plan.mjd_start + t["time"] / 86400.0,
        "exposure": t["exposure"],
        "mom_ll": t["mom_ll"],
        "mom_lc": t["mom_lc"],
        "mom_cc": t["mom_cc"],
        "fwhm": t["fwhm"],
        "complete": complete[rows],
        "ra": np.degrees(visit.ra[rows] + visit.ra_rate[rows] * t["time"]) % 360.0,
        "dec": np.degrees(visit.dec[rows] + visit.dec_rate[rows] * t["time"]),
    }


def make_segment(segment: Segment) -> SegmentResult:
    """Simulate one raw segment and write it.

    Parameters
    ----------
    segment : Segment
        What to make.

    Returns
    -------
    SegmentResult
        Truth.
    """
    scenario, plan = segment.scenario, segment.plan
    camera, spec = scenario.camera, scenario.detector
    weather = strip_weather(scenario, plan, segment.strip_number)
    detector = make_detector(scenario, plan.night)
    low = max(0, segment.start - CHUNK_REACH)
    high = min(plan.n_lines, segment.stop + CHUNK_REACH)
    image = np.zeros((high - low, camera.columns))
    truth = np.zeros((0, len(TRUTH_COLUMNS)))
    trail: NDArray[np.int64] = np.zeros((0, 2), dtype=np.int64)
    trail_e = np.zeros(0)
    visit = segment.visit
    if plan.shutter_open:
        paths = trace_paths(
            scenario, plan, visit.ra, visit.dec, ra_rate=visit.ra_rate, dec_rate=visit.dec_rate
        )
        truth = expose_stars(
            image,
            low,
            scenario=scenario,
            weather=weather,
            paths=paths,
            mag=visit.mag,
        )
        trail, trail_e = add_satellites(
            image,
            low,
            scenario=scenario,
            plan=plan,
            weather=weather,
            table=_table(float(weather.fwhm.min()), float(weather.fwhm.max()), scenario.beta),
            rng=np.random.default_rng([scenario.seed, 32, segment.strip_number]),
        )
    lines = np.arange(low, high)
    sky, count = integrate_window(weather, weather.sky, lines, camera.n_stage)
    scattered, _ = integrate_window(weather, weather.scattered, lines, camera.n_stage)
    tau = camera.line_period
    # The sky fills a pixel through the optics by its solid angle, and beside them.
    filled = measure_solid_angle(camera) + detector.stray
    for n in range(high - low):  # line by line: no second image in memory
        image[n] += (sky[n] * tau) * filled + (scattered[n] * tau) * detector.scattered
        image[n] *= detector.response
        image[n] += (count[n] * tau) * detector.dark
    np.maximum(image, 0.0, out=image)
    bend(image, detector, loss=spec.bent_loss, level=spec.bent_level)
    full = np.flatnonzero((image > spec.full_well).any(axis=0))
    before = image[:, full]
    bleed(image, spec.full_well, BLEED_REACH)
    # Pixels that gave or took charge.
    bled = np.argwhere(image[:, full] != before)
    bled[:, 1] = full[bled[:, 1]]
    hold_back(image, detector, share=spec.trap_share, lines=spec.trap_lines)
    rows = slice(segment.start - low, segment.stop - low)
    cosmic = make_cosmic_rays(
        np.random.default_rng([scenario.seed, 33, segment.strip_number, segment.start]),
        (segment.stop - segment.start, camera.columns),
        spec.cosmic_rate,
    )
    core = image[rows]
    raw = np.empty((core.shape[0], camera.n_raw), dtype=np.uint16)
    first_block = segment.start // _NOISE_BLOCK
    for block in range(first_block, -(-segment.stop // _NOISE_BLOCK)):
        rng = np.random.default_rng([scenario.seed, 34, segment.strip_number, block])
        start = max(block * _NOISE_BLOCK, segment.start) - segment.start
        stop = min((block + 1) * _NOISE_BLOCK, segment.stop) - segment.start
        charge = core[start:stop]
        charge = rng.poisson(charge).astype(np.float64) if scenario.poisson else charge.copy()
        here = (cosmic.line >= start) & (cosmic.line < stop)
        charge[cosmic.line[here] - start, cosmic.column[here]] += cosmic.electrons[here]
        raw[start:stop] = read_out(
            scenario,
            detector,
            charge,
            first_line=segment.start + start,
            strip_number=segment.strip_number,
            rng=rng,
        )
    write_segment(
        segment.path,
        lose_lines(plan, raw),
        scenario=scenario,
        plan=plan,
        number=segment.number,
        first_line=segment.start,
    )
    inside = (trail[:, 0] >= rows.start) & (trail[:, 0] < rows.stop)
    bled = bled[(bled[:, 0] >= rows.start) & (bled[:, 0] < rows.stop)]
    return SegmentResult(
        number=segment.number,
        sources=lose_sources(plan, _list_sources(segment, truth)) if plan.shutter_open else {},
        cosmic=np.stack([cosmic.line + segment.start, cosmic.column], axis=1).astype(np.int32),
        cosmic_e=cosmic.electrons.astype(np.float32),
        trail=np.add(trail[inside], [low, 0]).astype(np.int32),
        trail_e=trail_e[inside].astype(np.float32),
        bleed=np.add(bled, [low, 0]).astype(np.int32),
    )
