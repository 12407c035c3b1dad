"""Faults of a night: what they do to the lines written, and what the truth says of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

from synthetic.field import find_flux
from synthetic.scenario import Scenario, StripPlan, find_matched_period

__all__ = ["FINE", "describe_faults", "lose_lines", "lose_sources"]

FINE = "none"  # name of the fault of a night that has none
_ROOT12 = 12.0**0.5  # of a uniform stretch, full length over standard deviation


def lose_lines(plan: StripPlan, raw: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Leave out the lines that a strip reads but never writes.

    Parameters
    ----------
    plan : StripPlan
        Its `fault`.
    raw : ndarray of shape (lines, columns)
        The whole strip.

    Returns
    -------
    ndarray of shape (fewer lines, columns)
    """
    fault = plan.fault
    if not fault.lost_lines:
        return raw
    return np.delete(raw, slice(fault.lost_at, fault.lost_at + fault.lost_lines), axis=0)


def lose_sources(plan: StripPlan, sources: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Move the true lines of sources behind lost lines up, and drop those within.

    Parameters
    ----------
    plan : StripPlan
        Its `fault`.
    sources : dict of str to ndarray
        Truth table; `line` as it was read.

    Returns
    -------
    dict of str to ndarray
        `line` as it was written. Cosmic rays and trails of the truth keep the lines read.
    """
    fault = plan.fault
    if not fault.lost_lines:
        return sources
    line, stop = sources["line"], fault.lost_at + fault.lost_lines
    keep = (line < fault.lost_at - 0.5) | (line >= stop - 0.5)
    moved = np.where(line >= stop - 0.5, line - fault.lost_lines, line)
    return {n: (moved if n == "line" else v)[keep] for n, v in sources.items()}


def _describe(scenario: Scenario, plan: StripPlan, truth: Path) -> dict[str, Any]:
    """True values of all that can be wrong with a strip, whether it is or not."""
    here = scenario.with_camera_of(plan)
    camera, fault = here.camera, plan.fault
    table = pq.read_table(truth / f"{plan.name}_lines.parquet").to_pydict()
    lines = {k: np.asarray(v)[camera.n_stage :] for k, v in table.items()}
    loss = -2.5 * np.log10(lines["transparency"])
    sources = pq.read_table(truth / f"{plan.name}_sources.parquet").to_pydict()
    with np.load(truth / f"{plan.name}_artefacts.npz") as artefacts:
        reached = len(artefacts["trail_e"])
    matched = find_matched_period(camera.pixel_scale, camera.axis_declination)
    silent = sum(a.chip[1] - a.chip[0] for a in camera.amplifiers if a.name == fault.dead_amplifier)
    rows = camera.n_stage
    return {
        "night": plan.night,
        "strip": plan.name,
        "fault": fault.name,
        "passing_cloud_mag": float(loss.max() - loss.min()),
        "even_cloud_mag": float(loss.min()),
        "transparency": float(np.median(lines["transparency"])),
        "fwhm_arcsec": float(np.median(lines["fwhm"]) * camera.pixel_scale),
        "fwhm_spread": float(np.std(lines["fwhm"]) / np.median(lines["fwhm"])),
        "line_period_s": camera.line_period,
        "matched_line_period_s": matched,
        "period_change": matched / camera.line_period - 1.0,
        "smear_line_px": abs(matched / camera.line_period - 1.0) * rows / _ROOT12,
        "rotation_deg": camera.rotation,
        "smear_column_px": abs(np.tan(np.radians(camera.rotation))) * rows / _ROOT12,
        "sky_electron_per_s": float(np.median(lines["sky"]) / camera.exposure),
        "dead_share": silent / camera.columns,
        "dead_amplifier": fault.dead_amplifier,
        "lost_at": fault.lost_at,
        "lost_lines": fault.lost_lines,
        "response_change": max((depth for _, _, depth in fault.grains), default=0.0),
        "trails": plan.satellites,
        "trail_share": reached / (camera.columns * plan.n_lines),
        "sources": len(sources["line"]),
        "stars_above_snr5": _count_stars(here, sources),
    }


def _count_stars(scenario: Scenario, sources: dict[str, list[Any]]) -> int:
    """Stars that would have a signal to noise of 5 under the darkest sky and their extinction."""
    arrived = np.asarray(sources["flux"]) * np.asarray(sources["transparency"])
    return int(np.count_nonzero(arrived >= find_flux(scenario, 5.0)))


def describe_faults(scenario: Scenario, truth: Path) -> list[dict[str, Any]]:
    """True values of what can be wrong with each science strip.

    Parameters
    ----------
    scenario : Scenario
    truth : Path
        Folder that holds the truth tables of the strips.

    Returns
    -------
    list of dict
        Smear is in px rms of what the drift of a star on the axis does against the clocking:
        uniform along `n_stage` rows times the error of rate or the tangent of the rotation.
        `period_change` would match the clock to the drift. Clouds are those after the ramp.
        `trail_share` counts pixels that a trail's light reaches (5 electrons).
        `sky_ratio` is against the median of the nights without fault.
        `dead_share` is of the chip's columns, `response_change` the deepest new shadow.
    """
    found = [_describe(scenario, plan, truth) for plan in scenario.science]
    fine = [row["sky_electron_per_s"] for row in found if row["fault"] == FINE]
    dark = float(np.median(fine)) if fine else float("nan")
    return [{**row, "sky_ratio": row["sky_electron_per_s"] / dark} for row in found]
