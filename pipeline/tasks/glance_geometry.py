"""Geometry, transparency and moments of a quick look, from the stars of its blocks."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.constants import FWHM_PER_SIGMA
from pipeline.errors import DriftloomError
from pipeline.geometry.fit import FitResult, fit_solution
from pipeline.geometry.match import Detections, References, match_nearest
from pipeline.geometry.solution import StripSolution
from pipeline.io.reference import ReferenceCatalogue
from pipeline.stages.apertures import measure_aperture
from pipeline.stages.cutouts import Cutouts, stack_cutouts
from pipeline.stages.glance import robust_mean
from pipeline.stages.glance_seeing import CoreTable, tabulate_cores
from pipeline.stages.moment_check import MomentCheckOptions, check_moments
from pipeline.stages.moments import measure_moments, predict_moments
from pipeline.stages.psf_model import PsfModel, make_psf_model, place_nodes
from pipeline.stages.quick import BrightStars
from pipeline.stages.zeropoint import ZeroPointCurve, fit_zero_point
from pipeline.strip import Strip
from pipeline.tasks.explain import explain_failure, file_edges
from pipeline.tasks.first_look import PathOf, first_widths, guess_solution
from pipeline.tasks.glance import HALF_SIZE, BlockLook, GlanceVectors, join_stars
from pipeline.tasks.options import StageOptions

__all__ = [
    "StarLook", "fit_geometry", "look_at_stars", "measure_fluxes", "measure_seeing",
    "measure_zero_point", "model_spread",
]  # fmt: skip

FloatArray = NDArray[np.float64]

_MOST = 2000  # stars that are matched: the brightest
_POSITION_ERROR = 0.1  # px; the fit enlarges it where the stars scatter more
_MOST_MOMENTS = 800  # stars; more would only cost time
_POINTS = 33  # columns at which the prediction is tabulated
_BETA = 3.0  # exponent of the profile, as for the first look of a reduction
_RADIUS = 2.5  # of an aperture, in FWHM
_SHARP = 30.0  # signal-to-noise ratio of stars that give the seeing, where there are enough
_ENOUGH = 20
_FEWEST = 5


@dataclass(frozen=True)
class StarLook:
    """Stamped stars of all blocks, measured.

    Parameters
    ----------
    line, column, snr : ndarray of shape (n,)
    flux, flux_err : ndarray
        Within an aperture, electrons.
    block : ndarray of int
        Number of the block.
    table : dict
        Moments against column and their prediction, as a strip's ``star_moments``.
    """

    line: FloatArray
    column: FloatArray
    snr: FloatArray
    flux: FloatArray
    flux_err: FloatArray
    block: NDArray[np.int64]
    table: dict[str, Any]


def fit_geometry(
    config: Config,
    options: StageOptions,
    strip: Strip,
    stars: BrightStars,
    references: References,
) -> tuple[FitResult | None, str]:
    """Match bright stars of samples with the reference catalogue and fit the geometry.

    Parameters
    ----------
    config : Config
        The observatory.
    options : StageOptions
        Tuning.
    strip : Strip
        As far as it is written.
    stars : BrightStars
        Of the blocks.
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
    error = np.full(len(bright), _POSITION_ERROR)
    detections = Detections(bright.line, bright.column, error, error, bright.flux)
    # The wander of the line of sight needs a strip without gaps; it does not bear on the advice.
    fit = replace(options.astrometry, fit_wander=False)
    try:
        return fit_solution(
            guess, detections, references, options=fit,
            nominal_pixel_scale=config.camera.pixel_scale, file_edges=file_edges(strip),
        ), ""  # fmt: skip
    except DriftloomError as failure:
        return None, explain_failure(
            config, guess, detections, references, failure, options=fit.match
        )


def measure_fluxes(
    looks: Sequence[BlockLook], vectors: GlanceVectors | None, fwhm: float
) -> tuple[Cutouts, StarLook]:
    """Aperture fluxes of the stamped stars.

    Parameters
    ----------
    looks : sequence of BlockLook
    vectors : GlanceVectors or None
        Fluxes are divided by the response of the star's column.
    fwhm : float
        Typical width, px.

    Returns
    -------
    cutouts : Cutouts
    stars : StarLook
        Without moments.
    """
    parts = [look.stars.select(look.stamped) for look in looks]
    stars = join_stars([replace(a, stars=p) for a, p in zip(looks, parts, strict=True)])
    noise = np.concatenate([np.full(len(p), a.noise) for a, p in zip(looks, parts, strict=True)])
    images = np.concatenate([look.stamps for look in looks])
    variance = np.broadcast_to((noise**2)[:, None, None], images.shape)
    cut = stack_cutouts(
        images, variance,
        d_line=stars.line - np.rint(stars.line), d_column=stars.column - np.rint(stars.column),
    )  # fmt: skip
    radius = float(np.clip(_RADIUS * fwhm, 3.0, HALF_SIZE - 1.0))
    aperture = measure_aperture(cut, radius=radius)
    response = np.ones(len(stars))
    if vectors is not None:
        response = vectors.response[np.rint(stars.column).astype(int)]
    return cut, StarLook(
        stars.line, stars.column, stars.snr, aperture.flux / response,
        aperture.flux_err / response,
        np.repeat(np.arange(len(looks)), [len(p) for p in parts]), {},
    )  # fmt: skip


def model_spread(
    strip: Strip, bright: BrightStars, solution: StripSolution
) -> tuple[PsfModel, CoreTable]:
    """Point spread of the geometry, and the seeing that goes with the width of a star's core.

    Parameters
    ----------
    strip : Strip
    bright : BrightStars
        All bright stars.
    solution : StripSolution
        Fitted, or as configured.

    Returns
    -------
    model : PsfModel
        Its seeing is a first guess.
    table : CoreTable
    """
    lines, widths, _ = first_widths(bright, solution, strip)
    path = PathOf(solution)
    model = make_psf_model(
        lines, widths, place_nodes(strip.n_columns, path=path), beta=_BETA, path=path,
        optics=None, half_size=HALF_SIZE,
    )  # fmt: skip
    guess = float(np.median(widths))
    return model, tabulate_cores(model, guess=guess, n_columns=strip.n_columns)


def measure_seeing(
    looks: Sequence[BlockLook], table: CoreTable, *, fitted: bool
) -> tuple[FloatArray, FloatArray]:
    """Seeing of every block.

    Parameters
    ----------
    looks : sequence of BlockLook
    table : CoreTable
    fitted : bool
        Whether the smear is that of a fitted geometry. If not, the sharper axis counts: motion
        that is not known only widens stars.

    Returns
    -------
    fwhm, error : ndarray of shape (n_blocks,)
        px; NaN for fewer than five stars.
    """
    axes = ("both",) if fitted else ("line", "column")
    values, errors = [], []
    for look in looks:
        sharp = look.stars.select(look.stars.snr > _SHARP)
        stars = sharp if len(sharp) >= _ENOUGH else look.stars
        found = [robust_mean(table.seeing(stars, axis=axis)) for axis in axes]
        value, error = min(found, key=lambda pair: np.nan_to_num(pair[0], nan=np.inf))
        few = len(stars) < _FEWEST
        values.append(np.nan if few else value)
        errors.append(np.nan if few else error)
    return np.array(values), np.array(errors)


def look_at_stars(
    strip: Strip,
    cut: Cutouts,
    stars: StarLook,
    model: PsfModel,
    seeing: tuple[FloatArray, FloatArray],
) -> dict[str, Any]:
    """Second moments of stamped stars against column, beside those that the geometry predicts.

    Both are measured through the same window: the prediction from model images of the seeing,
    carried along the path that the geometry gives a star, clocked and put on pixels.

    Parameters
    ----------
    strip : Strip
    cut : Cutouts
        Of `stars`.
    stars : StarLook
    model : PsfModel
        With the smear of the geometry.
    seeing : tuple of ndarray
        Lines and FWHM in px; not empty, lines increasing.

    Returns
    -------
    dict
        ``column``, ``predicted`` and, where there are enough stars, ``check``; for JSON.
    """
    model = replace(model, fwhm_lines=seeing[0], fwhm_values=seeing[1], _grids={}, _stacks={})

    def predict(line: FloatArray, column: FloatArray) -> tuple[dict[str, FloatArray], FloatArray]:
        ll, _, cc = model.second_moments(column)
        window = np.sqrt((model.fwhm(line) / FWHM_PER_SIGMA) ** 2 + 0.5 * (ll + cc))
        found = predict_moments(model, line, column, window)
        return {name: getattr(found, f"mom_{name}") for name in ("ll", "lc", "cc")}, window

    at = np.linspace(0, strip.n_columns - 1, _POINTS)
    middle = np.full(at.size, float(np.median(seeing[0])))
    table: dict[str, Any] = {"column": at, "predicted": predict(middle, at)[0]}
    use = np.argsort(-stars.snr, kind="stable")[:_MOST_MOMENTS]
    predicted, window = predict(stars.line[use], stars.column[use])
    chosen = stack_cutouts(
        cut.image.reshape(len(cut), *[2 * cut.half_size + 1] * 2)[use],
        cut.variance.reshape(len(cut), *[2 * cut.half_size + 1] * 2)[use],
        d_line=cut.d_line[use], d_column=cut.d_column[use],
    )  # fmt: skip
    found = measure_moments(chosen, window)
    check = check_moments(
        stars.column[use], stars.snr[use],
        {name: getattr(found, f"mom_{name}") for name in ("ll", "lc", "cc")}, predicted,
        n_columns=strip.n_columns, options=MomentCheckOptions(),
    )  # fmt: skip
    if check is not None:
        table["check"] = check.to_dict()
    return table


def measure_zero_point(
    options: StageOptions,
    strip: Strip,
    stars: StarLook,
    solution: StripSolution,
    references: References,
    catalogue: ReferenceCatalogue,
) -> ZeroPointCurve:
    """Zero point along the strip from stamped stars and their reference magnitudes.

    Parameters
    ----------
    options : StageOptions
        Tuning.
    strip : Strip
    stars : StarLook
    solution : StripSolution
        Fitted.
    references : References
        At the strip's date.
    catalogue : ReferenceCatalogue
        The same stars, with the errors of their magnitudes.

    Returns
    -------
    ZeroPointCurve

    Raises
    ------
    SolutionError
        If no star has a magnitude.
    """
    place = solution.sky_to_strip(references.ra_deg, references.dec_deg)
    mine, theirs = match_nearest(stars.line, stars.column, *place, radius=2.0)
    flux, err = stars.flux[mine], stars.flux_err[mine]
    with np.errstate(invalid="ignore", divide="ignore"):
        delta = catalogue.mag[theirs] + 2.5 * np.log10(flux)
        error = np.hypot(catalogue.mag_err[theirs], 2.5 / np.log(10.0) * err / flux)
    return fit_zero_point(
        stars.line[mine], delta, error, n_lines=strip.n_lines, n_stage=strip.n_stage,
        options=options.zero_point,
    )  # fmt: skip
