"""Making a whole simulated observing run: segments in parallel, then truth tables."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synthetic.camera import estimate_lines, measure_solid_angle
from synthetic.detector import CHUNK_REACH, find_saturation, make_detector
from synthetic.faults import describe_faults
from synthetic.field import (
    EPOCH,
    Stars,
    Visit,
    adopt_stars,
    find_flux,
    invent_stars,
    make_reference,
    visit_stars,
)
from synthetic.files import (
    LABEL,
    format_configuration,
    write_json,
    write_parquet,
    write_reference,
    write_text,
)
from synthetic.scenario import (
    ROTATION_RATE,
    Scenario,
    StripPlan,
    describe_scenario,
    find_matched_period,
)
from synthetic.segment import CHUNK_MARGIN, Segment, SegmentResult, make_segment, strip_weather
from synthetic.weather import integrate_window

__all__ = ["make", "plan_segments"]

logger = logging.getLogger(__name__)

Floats = NDArray[np.float64]

_EMPTY = Visit(
    index=np.zeros(0, dtype=np.int64),
    ra=np.zeros(0),
    dec=np.zeros(0),
    ra_rate=np.zeros(0),
    dec_rate=np.zeros(0),
    mag=np.zeros(0),
)


def _cut_visit(visit: Visit, rows: NDArray[np.int64]) -> Visit:
    return Visit(
        index=visit.index[rows],
        ra=visit.ra[rows],
        dec=visit.dec[rows],
        ra_rate=visit.ra_rate[rows],
        dec_rate=visit.dec_rate[rows],
        mag=visit.mag[rows],
    )


def plan_segments(scenario: Scenario, stars: Stars, out: Path) -> Iterator[Segment]:
    """Divide every strip into the segments it is written in.

    Parameters
    ----------
    scenario : Scenario
        What is observed.
    stars : Stars
        Catalogue truth.
    out : Path
        Directory of the run; segments go to `out/raw`.

    Yields
    ------
    Segment
        In order of strip and line, each with the stars that may touch it.
    """
    # Lines on either side that a segment computes as well, and the reach of the brightest stamp.
    beyond = CHUNK_REACH + CHUNK_MARGIN
    for strip_number, plan in enumerate(scenario.strips):
        visit, lines = _EMPTY, np.zeros(0)
        here = scenario.with_camera_of(plan)
        if plan.shutter_open:
            visit = visit_stars(here, plan, stars)
            lines = estimate_lines(here, plan, visit.ra, visit.dec)
        starts = range(0, plan.n_lines, scenario.segment_lines)
        for number, start in enumerate(starts, start=1):
            stop = min(start + scenario.segment_lines, plan.n_lines)
            rows = np.flatnonzero((lines > start - beyond) & (lines < stop + beyond))
            yield Segment(
                scenario=here,
                plan=plan,
                strip_number=strip_number,
                number=number,
                start=start,
                stop=stop,
                visit=_cut_visit(visit, rows),
                path=out / "raw" / f"{plan.name}_{number:04d}.fits",
            )


def _run(
    segments: list[Segment], workers: int, progress: Callable[[int, int], None] | None
) -> list[SegmentResult]:
    """Make segments here or in worker processes; the order of results is that of segments."""
    results: list[SegmentResult] = []
    if workers <= 1 or len(segments) == 1:
        source: Any = map(make_segment, segments)
        for result in source:
            results.append(result)
            if progress is not None:
                progress(len(results), len(segments))
        return results
    # Fresh processes: forking one that runs threads may deadlock.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for result in pool.map(make_segment, segments):
            results.append(result)
            if progress is not None:
                progress(len(results), len(segments))
    return results


def _describe(scenario: Scenario, stars: Stars) -> dict[str, Any]:
    """Contents of truth/scenario.json."""
    camera = scenario.camera
    guess_h0 = scenario.guess.hour_angle
    tilt = np.radians(camera.axis_hour_angle - guess_h0) / ROTATION_RATE
    offset = -scenario.clock_error
    first = scenario.nights[0]
    special = {
        kind: [int(i) for i in stars.star_id[stars.kind == kind]]
        for kind in ("variable", "new", "moving")
    }
    return {
        "note": LABEL,
        "name": scenario.name,
        "seed": scenario.seed,
        "pixel_scale_arcsec": camera.pixel_scale,
        "rotation_deg": camera.rotation,
        "axis_declination_deg": camera.axis_declination,
        "axis_hour_angle_deg": camera.axis_hour_angle,
        "declination_deg": camera.axis_declination,
        "clock_error_s": scenario.clock_error,
        "clock_offset_s": offset,
        "effective_clock_offset_s": float(offset - tilt),
        "clock_note": (
            "clock_error_s: header minus true UTC; clock_offset_s: to add to header times; "
            "effective_clock_offset_s: the same when the axis is taken to lie at the configured "
            "hour angle instead of axis_hour_angle_deg"
        ),
        "line_period_s": camera.line_period,
        "matched_line_period_s": find_matched_period(camera.pixel_scale, camera.axis_declination),
        "n_stage": camera.n_stage,
        "columns": camera.columns,
        "exposure_t0_s": camera.exposure,
        "zero_point": scenario.zero_point,
        "moffat_beta": scenario.beta,
        "full_well_e": scenario.detector.full_well,
        "flux_at_snr5_e": find_flux(scenario, 5.0),
        "strips": [
            {
                "strip": plan.name,
                "night": plan.night,
                "filter": plan.filter,
                "n_lines": plan.n_lines,
                "mjd_start": plan.mjd_start,
                "mjd_start_header": plan.mjd_start + scenario.clock_error / 86400.0,
                "shutter_open": plan.shutter_open,
            }
            for plan in scenario.strips
        ],
        "response_changes": [
            {"night": night, "file": f"detector_{night}.parquet"}
            for night in scenario.response_changes
            if night > first
        ],
        "objects": {
            **special,
            "moving_rate_arcsec_per_hour": scenario.stars.moving_rate,
            "moving_position_angle_deg": 88.0,
        },
        "scenario": describe_scenario(scenario),
    }


def _write_detector(scenario: Scenario, night: str, path: Path) -> None:
    detector = make_detector(scenario, night)
    write_parquet(
        path,
        {
            "column": np.arange(scenario.camera.columns, dtype=np.int64),
            "response": detector.response,
            "dark": detector.dark,
            "bias": detector.bias,
            "scattered": detector.scattered,
            "stray": detector.stray,
            "solid_angle": measure_solid_angle(scenario.camera),
            "bad": detector.bad,
        },
    )


def _write_strip(
    scenario: Scenario,
    plan: StripPlan,
    strip_number: int,
    results: list[SegmentResult],
    truth: Path,
) -> None:
    """Truth tables of one strip."""
    scenario = scenario.with_camera_of(plan)
    camera = scenario.camera
    if plan.shutter_open:
        names = results[0].sources.keys()
        columns = {n: np.concatenate([r.sources[n] for r in results]) for n in names}
        order = np.argsort(columns["star_id"])
        columns = {n: values[order] for n, values in columns.items()}
        write_parquet(truth / f"{plan.name}_sources.parquet", columns)
    weather = strip_weather(scenario, plan, strip_number)
    lines = np.arange(plan.n_lines)
    window = [
        integrate_window(weather, values, lines, camera.n_stage)
        for values in (weather.sky, weather.scattered, weather.transparency, weather.fwhm)
    ]
    count = np.maximum(window[0][1], 1)
    now = -weather.first
    transparency, fwhm = window[2][0] / count, window[3][0] / count
    transparency[0], fwhm[0] = weather.transparency[now], weather.fwhm[now]
    write_parquet(
        truth / f"{plan.name}_lines.parquet",
        {
            "line": lines,
            "sky": window[0][0] * camera.line_period,
            "transparency": transparency,
            "fwhm": fwhm,
            "scattered": window[1][0] * camera.line_period,
        },
    )
    temporary = truth / f".{plan.name}_artefacts.npz"
    np.savez_compressed(
        temporary,
        cosmic=np.concatenate([r.cosmic for r in results]),
        cosmic_e=np.concatenate([r.cosmic_e for r in results]),
        trail=np.concatenate([r.trail for r in results]),
        trail_e=np.concatenate([r.trail_e for r in results]),
        bleed=np.concatenate([r.bleed for r in results]),
    )
    temporary.replace(truth / f"{plan.name}_artefacts.npz")


def make(
    scenario: Scenario,
    out: str | Path,
    *,
    workers: int = 2,
    stars: Mapping[str, ArrayLike] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Simulate an observing run and write it with its truth.

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    out : str or Path
        Directory; made if absent, files of the same names replaced.
    workers : int
        Processes; the result does not depend on it.
    stars : mapping, optional
        Stars from outside instead of invented ones: `ra`, `dec` (deg, ICRS, epoch 2016.0), `mag`,
        optional `pm_ra`, `pm_dec` (mas/yr).
    progress : callable, optional
        Called with segments done and segments in all.

    Returns
    -------
    Path
        `out`.

    Raises
    ------
    ValueError
        If `workers` < 1 or a column of `stars` is missing or malformed.
    """
    if workers < 1:
        msg = f"workers must be >= 1, got {workers!r}"
        raise ValueError(msg)
    out = Path(out)
    truth = out / "truth"
    for directory in (out / "raw", truth):
        directory.mkdir(parents=True, exist_ok=True)
    table = invent_stars(scenario) if stars is None else adopt_stars(stars)
    logger.info("%s: %d stars", scenario.name, len(table.ra))
    write_reference(out / "reference.fits", make_reference(scenario, table), EPOCH)
    write_text(out / "observatory.toml", format_configuration(scenario))
    write_json(truth / "scenario.json", _describe(scenario, table))
    write_parquet(
        truth / "stars.parquet",
        {
            "star_id": table.star_id,
            "ra": table.ra,
            "dec": table.dec,
            "pm_ra": table.pm_ra,
            "pm_dec": table.pm_dec,
            "mag": table.mag,
            "kind": table.kind,
        },
    )
    write_json(
        truth / "amplifiers.json",
        [
            {
                "name": a.name,
                "gain": a.gain,
                "read_noise": a.read_noise,
                "saturation": find_saturation(scenario, a),
            }
            for a in scenario.camera.amplifiers
        ],
    )
    _write_detector(scenario, scenario.nights[0], truth / "detector.parquet")
    faulty = {p.night for p in scenario.strips if p.fault.grains or p.fault.dead_amplifier}
    for night in sorted({*scenario.response_changes, *faulty}):
        if night > scenario.nights[0]:
            _write_detector(scenario, night, truth / f"detector_{night}.parquet")
    segments = list(plan_segments(scenario, table, out))
    results = _run(segments, workers, progress)
    for number, plan in enumerate(scenario.strips):
        mine = [r for s, r in zip(segments, results, strict=True) if s.strip_number == number]
        _write_strip(scenario, plan, number, mine, truth)
    if any(plan.fault.name for plan in scenario.strips):
        write_json(truth / "faults.json", describe_faults(scenario, truth))
    return out
