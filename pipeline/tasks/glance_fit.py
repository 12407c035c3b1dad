"""Geometry of a quick look: bright stars matched, then placed with the point spread they have."""

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import DriftloomError
from pipeline.geometry.advice import Value
from pipeline.geometry.fit import FitOptions, FitResult, fit_solution
from pipeline.geometry.match import Detections, References
from pipeline.geometry.solution import StripSolution
from pipeline.stages.cutouts import Cutouts
from pipeline.stages.glance_seeing import window_of
from pipeline.stages.moments import measure_moments
from pipeline.stages.psf_direct import model_moments
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.quick import BrightStars
from pipeline.strip import Strip
from pipeline.tasks.explain import explain_failure, file_edges
from pipeline.tasks.first_guess import guess_solution
from pipeline.tasks.glance import BlockLook
from pipeline.tasks.glance_geometry import (
    StarLook,
    measure_fluxes,
    measure_seeing,
    model_spread,
)
from pipeline.tasks.look_options import LookOptions

__all__ = ["fit_geometry"]

FloatArray = NDArray[np.float64]

_MOST = 1000  # stars that are matched: the brightest
_CORE_ERROR = 0.1  # px of a core's place; the fit enlarges it where the stars scatter more
_FLOOR = 0.02  # px, in quadrature: neighbours that nobody sees
_ROUNDS = 2
_LEFT = 0.5  # of the last step, that may still be missing: seen on a strip of 51 000 lines
_SETTLED = 0.5  # standard errors by which line period and rotation may still change
_POINTS = 33  # columns at which the model is measured
_NEAR_CLOCK, _NEAR_AXIS = 2.0, 0.5  # s, arcmin; off by no more after the first fit
_MARGIN = 64.0  # px about the chip and the stars, within which references are looked for
_NEEDED = 30  # single stars worth placing anew


def fit_geometry(
    config: Config,
    options: LookOptions,
    strip: Strip,
    looks: Sequence[BlockLook],
    stars: BrightStars,
    references: References,
) -> tuple[FitResult | None, str]:
    """Match bright stars of samples with the reference catalogue and fit the geometry.

    The core of a star that smears is not where the middle of its path is: on a wide chip that
    would pass for a rotation. So single stars are placed by their windowed centroids, less those
    of model images: first under the configured geometry, then under the fitted one, until the
    advice stands. Where single stars are few, the cores of all bright stars have to do.

    Parameters
    ----------
    config : Config
        The observatory.
    options : LookOptions
        Tuning.
    strip : Strip
        As far as it is written.
    looks : sequence of BlockLook
    stars : BrightStars
        Of all blocks.
    references : References
        At the strip's date.

    Returns
    -------
    result : FitResult or None
    reason : str
        Why there is none.
    """
    guess = guess_solution(config, strip)
    # The wander of the line of sight needs a strip without gaps; it does not bear on the advice.
    fit = replace(options.astrometry, fit_wander=False)

    def solve(
        found: Detections, known: References, start: StripSolution, how: FitOptions
    ) -> FitResult:
        return fit_solution(
            start, found, known, options=how,
            nominal_pixel_scale=config.camera.pixel_scale, file_edges=file_edges(strip),
            origin=guess,
        )  # fmt: skip

    cut, single = measure_fluxes(looks, None, 3.0)

    def place(solution: StripSolution) -> Detections | None:
        model = model_spread(strip, stars, solution)
        seeing, _ = measure_seeing(len(looks), cut, single, model, fitted=True)
        known = np.isfinite(seeing)
        if not known.any():
            return None
        lines = np.array([0.5 * (a.start + a.stop - 1) for a in looks])
        return _place(strip, cut, single, model.along(lines[known], seeing[known]))

    placed = place(guess) if len(single.line) >= _NEEDED else None
    detections = placed or _cores(stars)
    try:
        result = solve(detections, references, guess, fit)
    except DriftloomError as failure:
        return None, explain_failure(
            config, guess, detections, references, failure, options=fit.match
        )
    if placed is None:
        return result, ""
    # From here on nothing has to be searched for. The ranges are still far beyond the errors.
    lines, columns = result.solution.sky_to_strip(references.ra_deg, references.dec_deg)
    inside = np.abs(columns - 0.5 * strip.n_columns) < 0.5 * strip.n_columns + _MARGIN
    inside &= _distance(lines, single.line) < _MARGIN
    nearby = References(**{f.name: getattr(references, f.name)[inside] for f in fields(references)})
    near = replace(
        fit.match, clock_range_s=_NEAR_CLOCK, pointing_range_arcmin=_NEAR_AXIS, known=True
    )
    for _ in range(_ROUNDS):
        placed = place(result.solution)
        if placed is None:
            break
        try:
            better = solve(placed, nearby, result.solution, replace(fit, match=near))
        except DriftloomError:
            break  # what was found before has to do
        settled = _same(result, better)
        result = _with_last_step(result, better)
        if settled:
            break
    return result, ""


def _cores(stars: BrightStars) -> Detections:
    """Bright stars where the fits of their cores put them."""
    bright = stars.select(np.argsort(-stars.flux, kind="stable")[:_MOST])
    error = np.full(len(bright), _CORE_ERROR)
    return Detections(bright.line, bright.column, error, error, bright.flux)


def _distance(x: FloatArray, places: FloatArray) -> FloatArray:
    """From each value to the nearest of several places."""
    order = np.concatenate([[-np.inf], np.sort(places), [np.inf]])
    at = np.searchsorted(order, np.nan_to_num(x, nan=-1e12))
    at = np.clip(at, 1, order.size - 1)
    return np.minimum(np.abs(x - order[at - 1]), np.abs(order[at] - x))


def _same(old: FitResult, new: FitResult) -> bool:
    """Whether the advice stands."""

    def near(one: Value, other: Value) -> bool:
        return bool(abs(one.value - other.value) <= _SETTLED * other.error)

    return near(old.advice.line_period, new.advice.line_period) and near(
        old.advice.rotation_deg, new.advice.rotation_deg
    )


def _with_last_step(old: FitResult, new: FitResult) -> FitResult:
    """The new fit; the errors of its advice hold what further rounds would still change."""
    a, b = old.advice, new.advice

    def widen(before: Value, after: Value) -> Value:
        left = _LEFT * abs(after.value - before.value)
        return Value(after.value, float(np.hypot(after.error, left)))

    period = widen(a.line_period, b.line_period)
    rotation = widen(a.rotation_deg, b.rotation_deg)
    change = Value(b.line_period_change.value, period.error / new.solution.line_period)
    advice = replace(
        b, line_period=period, line_period_change=change, rotation_deg=rotation,
        rotation_change_deg=Value(b.rotation_change_deg.value, rotation.error),
    )  # fmt: skip
    return replace(new, advice=advice)


def _place(strip: Strip, cut: Cutouts, stars: StarLook, model: PsfModel) -> Detections:
    """Windowed centroids of single stars, less what the model's own miss its middle by."""
    at = np.linspace(0.0, strip.n_columns - 1.0, _POINTS)
    fwhm = float(model.fwhm(np.median(stars.line)))
    off = model_moments(model, [fwhm], at, window_of(model, fwhm, at))[0]
    found = measure_moments(cut, window_of(model, model.fwhm(stars.line), stars.column))
    good = np.isfinite(found.d_line + found.d_column + found.line_err + found.column_err)
    line = np.rint(stars.line) + found.d_line - np.interp(stars.column, at, off.d_line)
    column = np.rint(stars.column) + found.d_column - np.interp(stars.column, at, off.d_column)
    return Detections(
        line[good], column[good], np.hypot(found.line_err[good], _FLOOR),
        np.hypot(found.column_err[good], _FLOOR), stars.flux[good],
    )  # fmt: skip
