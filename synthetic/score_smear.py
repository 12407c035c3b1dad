"""Predicted smear against the true paths, and the recovered rotation and rate."""

import json
import logging
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from synthetic.score_rows import Row, judge, judge_absent, judge_unmeasurable
from synthetic.score_stars import Stars, find_products
from synthetic.score_world import World, find_value

__all__ = ["score_smear"]

logger = logging.getLogger(__name__)

FloatArray = NDArray[np.float64]

_SMEAR_LIMIT = 2.0
_ROTATION_LIMIT = 0.005
_RATE_LIMIT = 1e-4
_BINS = 16
_MIN_PER_BIN = 5
_MIN_STARS = 50
_BRIGHT = 100.0


def _read_solutions(world: World) -> tuple[list[dict[str, Any] | None], list[str]]:
    solutions: list[dict[str, Any] | None] = []
    failures = []
    for strip in world.science:
        folder = find_products(world.products, strip)
        path = folder / "solution.json" if folder else None
        solution = None
        if path is not None and path.exists():
            try:
                solution = json.loads(path.read_text())
            except ValueError:
                logger.exception("%s cannot be read", path)
        solutions.append(solution if isinstance(solution, dict) else None)
        if solutions[-1] is None:
            failures.append(f"no readable solution of {strip.name}")
    return solutions, failures


def _interpolate(table: dict[str, Any], column: FloatArray) -> dict[str, FloatArray]:
    at = np.asarray(table["column"], dtype=np.float64)
    order = np.argsort(at)
    return {
        key: np.asarray(np.interp(column, at[order], np.asarray(table[key], dtype=float)[order]))
        for key in ("ll", "lc", "cc")
    }


def _compare_strip(
    world: World, stars: Stars, index: int, table: dict[str, Any]
) -> dict[str, FloatArray]:
    """Predicted minus true moment in column bins, in per cent of the largest true one."""
    t = stars.truth
    own = (t["strip"] == index) & t["complete"] & t["star"]
    width = world.camera.n_columns / _BINS
    predicted = _interpolate(table, t["column"][own])
    where = np.clip((t["column"][own] // width).astype(int), 0, _BINS - 1)
    true = {key: t[key][own] for key in ("ll", "lc", "cc")}
    scale = {key: float(np.max(np.abs(true[key]), initial=0.0)) for key in ("ll", "cc")}
    # A covariance may vanish everywhere: its natural size is that of the two variances.
    scale["lc"] = math.sqrt(scale["ll"] * scale["cc"])
    result = {}
    for key in ("ll", "lc", "cc"):
        parts = []
        for b in range(_BINS):
            inside = where == b
            if np.sum(inside) >= _MIN_PER_BIN:
                difference = float(np.median(predicted[key][inside] - true[key][inside]))
                parts.append(100.0 * difference / scale[key])
        result[key] = np.array(parts)
    return result


def _describe_measured(stars: Stars) -> str:
    """How the catalogue's windowed moments follow the true smear."""
    t, m = stars.truth, stars.measured
    chosen = stars.clean & stars.usable & (t["sn"] > _BRIGHT)
    measured = m["mom_ll"] - m["mom_cc"]
    chosen &= np.isfinite(measured)
    true = t["ll"] - t["cc"]
    if np.sum(chosen) < _MIN_STARS or np.std(true[chosen]) < 0.01:
        return "measured star moments: too few stars or too little smear"
    x, y = true[chosen], measured[chosen]
    slope, constant = np.polyfit(x, y, 1)
    correlation = float(np.corrcoef(x, y)[0, 1])
    return (
        f"measured (ll - cc) against true: slope {slope:.3f} (below 1, as the window dilutes it), "
        f"constant {constant:+.4f} px^2, correlation {correlation:.3f}, {x.size} stars"
    )


def _score_moments(
    world: World, stars: Stars, solutions: list[dict[str, Any] | None], failures: list[str]
) -> Row:
    figure, unit = "smear moments, predicted against true", "per cent of the largest"
    problems = list(failures)
    bins: list[tuple[float, str]] = []
    for index, (strip, solution) in enumerate(zip(world.science, solutions, strict=True)):
        if solution is None:
            continue
        table = solution.get("smear_table")
        if not isinstance(table, dict) or not {"column", "ll", "lc", "cc"} <= set(table):
            problems.append(f"solution of {strip.name} has no smear_table (column, ll, lc, cc)")
            continue
        for key, parts in _compare_strip(world, stars, index, table).items():
            bins += [(abs(float(p)), f"{key}, {strip.name}") for p in parts]
    if not bins and problems:
        return judge_absent(figure, "; ".join(problems), high=_SMEAR_LIMIT, unit=unit)
    if not bins:
        return judge_unmeasurable(figure, "too few stars", high=_SMEAR_LIMIT, unit=unit)
    worst = max(bins)
    typical = float(np.median([value for value, _ in bins]))
    return judge(
        figure,
        worst[0],
        high=_SMEAR_LIMIT,
        n=len(bins),
        unit=unit,
        notes=[
            f"worst of {_BINS} column bins, three moments, all strips: {worst[1]}",
            f"median over bins {typical:.2f}",
            _describe_measured(stars),
        ],
        failures=problems,
    )


def _score_parameter(
    errors: list[tuple[float, str]],
    *,
    figure: str,
    limit: float,
    unit: str,
    notes: list[str],
    failures: list[str],
) -> Row:
    if not errors:
        reason = "; ".join(failures) or "no science strip"
        return judge_absent(figure, reason, high=limit, unit=unit)
    values = np.array([error for error, _ in errors])
    worst = max(errors, key=lambda item: abs(item[0]))
    return judge(
        figure,
        float(np.sqrt(np.mean(values**2))),
        high=limit,
        n=values.size,
        unit=unit,
        notes=[
            f"rms over strips; mean {np.mean(values):+.2e}",
            f"worst {worst[0]:+.2e} ({worst[1]})",
            *notes,
        ],
        failures=failures,
    )


def _compare_parameters(
    world: World, solutions: list[dict[str, Any] | None], key: str
) -> tuple[list[tuple[float, str]], list[str]]:
    """Fitted values of one parameter with the strip's name, and the strips that lack it."""
    found, problems = [], []
    for strip, solution in zip(world.science, solutions, strict=True):
        if solution is None:
            continue
        value = solution.get("parameters", {}).get(key)
        if value is None:
            problems.append(f"solution of {strip.name} has no parameter {key}")
        else:
            found.append((float(value), strip.name))
    return found, problems


def _score_rotation(
    world: World, solutions: list[dict[str, Any] | None], failures: list[str]
) -> Row:
    true = find_value(world.scenario, "rotation_deg", "rotation")
    if true is None:
        reason = "truth/scenario.json holds no rotation_deg"
        return judge_unmeasurable("rotation", reason, high=_ROTATION_LIMIT, unit="deg")
    found, problems = _compare_parameters(world, solutions, "rotation_deg")
    return _score_parameter(
        [(value - float(true), name) for value, name in found],
        figure="rotation",
        limit=_ROTATION_LIMIT,
        unit="deg",
        notes=[f"true {float(true):+.4f}"],
        failures=[*failures, *problems],
    )


def _score_rate(world: World, solutions: list[dict[str, Any] | None], failures: list[str]) -> Row:
    scales, problems = _compare_parameters(world, solutions, "pixel_scale_arcsec")
    axes, lacking = _compare_parameters(world, solutions, "declination_deg")
    true = find_value(world.scenario, "axis_declination_deg", "axis_declination")
    declination = {name: value for value, name in axes}
    if true is None:
        lacking = ["truth/scenario.json holds no axis_declination_deg"]
    errors = []
    for scale, name in scales:
        # The drift on the axis goes as cos(declination): the line period that matches it is
        # the scale over the drift.
        drift = 1.0
        if true is not None and name in declination:
            drift = math.cos(math.radians(declination[name])) / math.cos(math.radians(true))
        errors.append((scale / world.pixel_scale / drift - 1.0, name))
    scale_error = [scale / world.pixel_scale - 1.0 for scale, _ in scales]
    return _score_parameter(
        errors,
        figure="rate that matches the drift",
        limit=_RATE_LIMIT,
        unit="relative",
        notes=[
            f"largest error of the pixel scale alone {max(map(abs, scale_error)):.2e}"
            if scale_error
            else "",
            f"true pixel scale {world.pixel_scale:.7g} arcsec",
            *(f"{text}: its cosine is left out" for text in lacking),
        ],
        failures=[*failures, *problems],
    )


def score_smear(world: World, stars: Stars) -> list[Row]:
    """Rows of smear moments, rotation and rate.

    The line period that matches the drift is the pixel scale over the drift on the axis: both
    fitted values enter.

    Parameters
    ----------
    world : World
        Truth.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
    """
    solutions, failures = _read_solutions(world)
    return [
        _score_moments(world, stars, solutions, failures),
        _score_rotation(world, solutions, failures),
        _score_rate(world, solutions, failures),
    ]
