"""Fluxes, seeing, transparency and moments of a quick look, from the stars of its blocks."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.match import References, match_nearest
from pipeline.geometry.solution import StripSolution
from pipeline.io.reference import ReferenceCatalogue
from pipeline.stages.apertures import measure_aperture
from pipeline.stages.cutouts import Cutouts, stack_cutouts
from pipeline.stages.glance import robust_mean
from pipeline.stages.glance_seeing import tabulate_seeing, window_of
from pipeline.stages.moment_check import MomentCheckOptions, check_moments
from pipeline.stages.moments import measure_moments, predict_moments
from pipeline.stages.psf_model import PsfModel, make_psf_model, place_nodes
from pipeline.stages.quick import BrightStars
from pipeline.stages.zeropoint import ZeroPointCurve, fit_zero_point
from pipeline.strip import Strip
from pipeline.tasks.first_guess import PathOf, first_widths
from pipeline.tasks.glance import HALF_SIZE, BlockLook, GlanceVectors, join_stars
from pipeline.tasks.look_options import LookOptions

__all__ = [
    "StarLook", "look_at_stars", "measure_fluxes", "measure_seeing",
    "measure_zero_point", "model_spread",
]  # fmt: skip

FloatArray = NDArray[np.float64]

_MOST_MOMENTS = 500  # stars; more would only cost time
_POINTS = 33  # columns at which the prediction is tabulated
_BETA = 3.0  # exponent of the profile, as for the first look of a reduction
_RADIUS = 2.5  # of an aperture, in FWHM
_FEWEST = 4  # stars that give a block's seeing


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


def model_spread(strip: Strip, bright: BrightStars, solution: StripSolution) -> PsfModel:
    """Point spread of the geometry.

    Parameters
    ----------
    strip : Strip
    bright : BrightStars
        All bright stars.
    solution : StripSolution
        Fitted, or as configured.

    Returns
    -------
    PsfModel
        Its seeing is a first guess.
    """
    lines, widths, _ = first_widths(bright, solution, strip)
    path = PathOf(solution)
    return make_psf_model(
        lines, widths, place_nodes(strip.n_columns, path=path), beta=_BETA, path=path,
        optics=None, half_size=HALF_SIZE,
    )  # fmt: skip


def measure_seeing(
    n_blocks: int, cut: Cutouts, stars: StarLook, model: PsfModel, *, fitted: bool
) -> tuple[FloatArray, FloatArray]:
    """Seeing of every block, from the second moments of its stamped stars.

    Parameters
    ----------
    n_blocks : int
    cut : Cutouts
        Of `stars`.
    stars : StarLook
    model : PsfModel
        With the smear of the geometry, and a first guess of the seeing.
    fitted : bool
        Whether the smear is that of a fitted geometry. If not, the sharper axis counts: motion
        that is not known only widens stars.

    Returns
    -------
    fwhm, error : ndarray of shape (n_blocks,)
        px; NaN for fewer than four stars.
    """
    guess = float(np.median(model.fwhm_values))
    n_columns = int(model.node_columns[-1]) + 1
    table = tabulate_seeing(model, guess=guess, n_columns=n_columns)
    found = measure_moments(cut, window_of(model, guess, stars.column))
    axes = ("both",) if fitted else ("line", "column")
    each = [table.seeing(found, stars.column, axis=axis) for axis in axes]
    values, errors = np.full(n_blocks, np.nan), np.full(n_blocks, np.nan)
    for b in range(n_blocks):
        mine = stars.block == b
        pairs = [robust_mean(e[mine]) for e in each if np.isfinite(e[mine]).sum() >= _FEWEST]
        if pairs:
            values[b], errors[b] = min(pairs)
    return values, errors


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
    model = model.along(*seeing)

    def predict(line: FloatArray, column: FloatArray) -> tuple[dict[str, FloatArray], FloatArray]:
        window = window_of(model, model.fwhm(line), column)
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
    options: LookOptions,
    strip: Strip,
    stars: StarLook,
    solution: StripSolution,
    references: References,
    catalogue: ReferenceCatalogue,
) -> ZeroPointCurve:
    """Zero point along the strip from stamped stars and their reference magnitudes.

    Parameters
    ----------
    options : LookOptions
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
