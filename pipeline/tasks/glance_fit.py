"""Geometry of a quick look: bright stars matched, then placed with the point spread they have."""

from collections.abc import Sequence
from dataclasses import replace

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
from pipeline.stages.moments import measure_moments, predict_moments
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.quick import BrightStars
from pipeline.strip import Strip
from pipeline.tasks.explain import explain_failure, file_edges
from pipeline.tasks.first_look import guess_solution
from pipeline.tasks.glance import BlockLook
from pipeline.tasks.glance_geometry import (
    StarLook,
    measure_fluxes,
    measure_seeing,
    model_spread,
    with_seeing,
)
from pipeline.tasks.options import StageOptions

__all__ = ["fit_geometry"]

FloatArray = NDArray[np.float64]

_MOST = 1000  # stars that are matched: the brightest
_CORE_ERROR = 0.1  # px of a core's place; the fit enlarges it where the stars scatter more
_FLOOR = 0.02  # px, in quadrature: neighbours that nobody sees
_ROUNDS = 3
_SETTLED = 0.5  # standard errors by which line period and rotation may still change
_POINTS = 33  # columns at which the model is measured
_NEAR_CLOCK, _NEAR_AXIS = 2.0, 0.5  # s, arcmin; off by no more after the first fit
_NEEDED = 30  # single stars worth placing anew


def fit_geometry(
    config: Config,
    options: StageOptions,
    strip: Strip,
    looks: Sequence[BlockLook],
    stars: BrightStars,
    references: References,
) -> tuple[FitResult | None, str]:
    """Match bright stars of samples with the reference catalogue and fit the geometry.

    The core of a star that smears is not where the middle of its path is: on a wide chip that
    would pass for a rotation. So single stars are placed a second time by their windowed
    centroids, less those of model images under the geometry found before, until the advice stands.

    Parameters
    ----------
    config : Config
        The observatory.
    options : StageOptions
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
    bright = stars.select(np.argsort(-stars.flux, kind="stable")[:_MOST])
    error = np.full(len(bright), _CORE_ERROR)
    detections = Detections(bright.line, bright.column, error, error, bright.flux)
    # The wander of the line of sight needs a strip without gaps; it does not bear on the advice.
    fit = replace(options.astrometry, fit_wander=False)

    def solve(found: Detections, start: StripSolution, how: FitOptions) -> FitResult:
        return fit_solution(
            start, found, references, options=how,
            nominal_pixel_scale=config.camera.pixel_scale, file_edges=file_edges(strip),
        )  # fmt: skip

    try:
        result = solve(detections, guess, fit)
    except DriftloomError as failure:
        return None, explain_failure(
            config, guess, detections, references, failure, options=fit.match
        )
    if sum(look.stamped.size for look in looks) < _NEEDED:
        return result, ""
    cut, single = measure_fluxes(looks, None, 3.0)
    # From here on little has to be searched for. The ranges are still far beyond the errors.
    near = replace(
        fit, match=replace(fit.match, clock_range_s=_NEAR_CLOCK, pointing_range_arcmin=_NEAR_AXIS)
    )
    for _ in range(_ROUNDS):
        model = model_spread(strip, stars, result.solution)
        seeing, _ = measure_seeing(len(looks), cut, single, model, fitted=True)
        known = np.isfinite(seeing)
        if not known.any():
            break
        lines = np.array([0.5 * (a.start + a.stop - 1) for a in looks])
        model = with_seeing(model, lines[known], seeing[known])
        try:
            place = _place(strip, cut, single, model)
            better = solve(place, _begin(guess, result), near)
        except DriftloomError:
            break  # too few single stars: the cores have to do
        settled = _same(result, better)
        result = better
        if settled:
            break
    return result, ""


def _begin(guess: StripSolution, result: FitResult) -> StripSolution:
    """First guess with what was fitted; distortion begins anew, so that it leaves no trace."""
    found = result.solution.parameters
    names = (
        "declination_deg", "hour_angle_deg", "clock_offset_s", "pixel_scale_arcsec", "rotation_deg"
    )  # fmt: skip
    begun = guess.with_parameters(**{name: found[name] for name in names})
    return replace(begun, slips=result.solution.slips)


def _same(old: FitResult, new: FitResult) -> bool:
    """Whether the advice stands."""

    def near(one: Value, other: Value) -> bool:
        return bool(abs(one.value - other.value) <= _SETTLED * other.error)

    return near(old.advice.line_period, new.advice.line_period) and near(
        old.advice.rotation_deg, new.advice.rotation_deg
    )


def _place(strip: Strip, cut: Cutouts, stars: StarLook, model: PsfModel) -> Detections:
    """Windowed centroids of single stars, less what the model's own miss its middle by."""
    at = np.linspace(0.0, strip.n_columns - 1.0, _POINTS)
    middle = np.full(at.size, float(np.median(stars.line)))
    off = predict_moments(model, middle, at, window_of(model, model.fwhm(middle), at))
    found = measure_moments(cut, window_of(model, model.fwhm(stars.line), stars.column))
    good = np.isfinite(found.d_line + found.d_column + found.line_err + found.column_err)
    line = np.rint(stars.line) + found.d_line - np.interp(stars.column, at, off.d_line)
    column = np.rint(stars.column) + found.d_column - np.interp(stars.column, at, off.d_column)
    return Detections(
        line[good], column[good], np.hypot(found.line_err[good], _FLOOR),
        np.hypot(found.column_err[good], _FLOOR), stars.flux[good],
    )  # fmt: skip
