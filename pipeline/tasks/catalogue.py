"""From measured sources to a strip's catalogue: final geometry, zero point, times, errors."""

import logging
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.constants import FWHM_PER_SIGMA, SIGMA_PER_MAD
from pipeline.errors import DriftloomError, SolutionError
from pipeline.flags import SourceFlag
from pipeline.geometry.fit import FitOptions, FitResult, fit_solution
from pipeline.geometry.match import Detections, References, match_nearest
from pipeline.geometry.slip import near_slip, put_back
from pipeline.geometry.solution import StripSolution
from pipeline.io.reference import ReferenceCatalogue
from pipeline.stages.illumination import (
    Illumination,
    IlluminationOptions,
    fit_illumination,
)
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.psf_solution import PsfSolution
from pipeline.stages.zeropoint import ZeroPointCurve, fit_zero_point
from pipeline.strip import Strip, lines_to_mjd
from pipeline.tasks.context import StripContext
from pipeline.tasks.explain import explain_failure, file_edges
from pipeline.tasks.first_guess import guess_solution
from pipeline.tasks.measure import Measurements
from pipeline.tasks.options import StageOptions

__all__ = ["StripResult", "calibrate_catalogue", "make_curves", "solve_strip_geometry"]

logger = logging.getLogger(__name__)

FloatArray = NDArray[np.float64]
Columns = dict[str, NDArray]

# Flags that keep a star out of the fits; blends still have honest positions, trails do not.
_UNFIT = int(
    SourceFlag.SATURATED | SourceFlag.PSF_FAILED | SourceFlag.EDGE | SourceFlag.COSMIC_RAY
    | SourceFlag.TRAIL | SourceFlag.BAD_PIXELS | SourceFlag.BLENDED
)  # fmt: skip
_LIGHT_ROUNDS = 3  # of illumination and zero point in turn
_POGSON = 2.5 / np.log(10.0)  # mag per relative flux error, to first order
_SLIP_MARGIN = 10.0  # lines: the light of a star that lost lines cut
_POINT_LIKE = 0.05  # a star's width may exceed the point spread's by this share of its variance


@dataclass(frozen=True)
class StripResult:
    """What is left of a strip when its catalogue is written; enough to fill tiles.

    Parameters
    ----------
    strip : Strip
        The strip.
    context : StripContext
        Calibrations.
    solution : StripSolution or None
        Geometry; None where no stars could be matched.
    zero_point : ZeroPointCurve or None
        None where no reference star could be used.
    psf : PsfModel
        Point spread.
    fwhm : float
        Median total width of stars, px.
    n_sources : int
        Sources in the catalogue.
    rms_line, rms_column : float
        Scatter of the reference stars, px; NaN without a solution.
    problems : tuple of str
        What the reader should know.
    applied : Illumination or None
        What star fluxes of the catalogue were corrected for; None where they were not.
    losses : tuple of str
        What the strip should have and has not: a run says so in its exit status.
    """

    strip: Strip
    context: StripContext
    solution: StripSolution | None
    zero_point: ZeroPointCurve | None
    psf: PsfModel
    fwhm: float
    n_sources: int
    rms_line: float
    rms_column: float
    problems: tuple[str, ...]
    applied: Illumination | None = None
    losses: tuple[str, ...] = ()


def solve_strip_geometry(
    config: Config,
    options: StageOptions,
    guess: StripSolution | None,
    sources: Measurements,
    references: References,
    *,
    strip: Strip,
) -> FitResult:
    """Fit the geometry to point-spread positions.

    Parameters
    ----------
    config : Config
        The observatory.
    options : StageOptions
        Tuning.
    guess : StripSolution or None
        From the stars of the point spread, or bright stars' cores where those could not be
        solved; None where there is only the configured one.
    sources : Measurements
        Of the whole strip.
    references : References
        Reference stars at the strip's date.
    strip : Strip
        The strip.

    Returns
    -------
    FitResult

    Raises
    ------
    SolutionError
        If the stars cannot be matched or are too few; with its likely cause.
    """
    use = ((sources.flags & _UNFIT) == 0) & (sources.flux_psf > 10 * sources.flux_psf_err)
    chosen = np.flatnonzero(use)
    stars = Detections(
        sources.line[chosen], sources.column[chosen], sources.line_err[chosen],
        sources.column_err[chosen], sources.flux_psf[chosen],
    )  # fmt: skip
    first = guess_solution(config, strip)

    def fit(begin: StripSolution, fit_options: FitOptions) -> FitResult:
        return fit_solution(
            begin, stars, references, options=fit_options,
            nominal_pixel_scale=config.camera.pixel_scale, file_edges=file_edges(strip),
            origin=first,
        )  # fmt: skip

    if guess is not None:
        # What is refined is good to a fraction of a pixel: the nearest reference is the star. A
        # pattern of the brightest fails in long strips, where most of those are saturated.
        near = replace(options.astrometry, match=replace(options.astrometry.match, known=True))
        try:
            return fit(guess, near)
        except SolutionError as error:
            logger.info("%s: stars are matched by their pattern again: %s", strip.name, error)
    try:
        return fit(guess or first, options.astrometry)
    except SolutionError as error:
        text = explain_failure(
            config, first, stars, references, error, options=options.astrometry.match
        )
        raise SolutionError(text) from error


def _match_references(
    solution: StripSolution, sources: Measurements, references: References, *, radius_px: float
) -> NDArray[np.int64]:
    """Row of each source's reference star, or -1."""
    index = np.full(len(sources), -1, dtype=np.int64)
    line, column = solution.sky_to_strip(references.ra_deg, references.dec_deg)
    seen = np.flatnonzero(
        np.isfinite(line) & np.isfinite(column)
        & (line > -50) & (line < solution.n_lines + 50)
        & (column > -50) & (column < solution.camera.n_columns + 50)
    )  # fmt: skip
    measured, known = match_nearest(
        sources.line, sources.column, line[seen], column[seen], radius=radius_px
    )
    index[measured] = seen[known]
    return index


def _magnitudes(
    flux: FloatArray, flux_err: FloatArray, zero: FloatArray, zero_err: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Magnitudes and errors; NaN where the flux is not positive."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mag = zero - 2.5 * np.log10(np.where(flux > 0, flux, np.nan))
        err = np.hypot(_POGSON * flux_err / np.where(flux > 0, flux, np.nan), zero_err)
    return mag, err


def calibrate_catalogue(
    config: Config,
    context: StripContext,
    sources: Measurements,
    guess: StripSolution | None,
    catalogue: ReferenceCatalogue | None,
    references: References | None,
    *,
    options: StageOptions,
) -> tuple[
    Columns, FitResult | None, ZeroPointCurve | None, Illumination | None,
    tuple[str, ...], tuple[str, ...],
]:  # fmt: skip
    """Positions on the sky, times, exposures and magnitudes of a strip's sources.

    Parameters
    ----------
    config : Config
        The observatory.
    context : StripContext
        Calibrations of the strip.
    sources : Measurements
        Of the whole strip.
    guess : StripSolution or None
        Geometry as far as it is known: of the stars of the point spread.
    catalogue : ReferenceCatalogue or None
        Reference stars, at their own epoch.
    references : References or None
        The same at the strip's date.
    options : StageOptions
        Tuning.

    Returns
    -------
    columns : dict of str to ndarray
        The strip catalogue.
    fit : FitResult or None
        Geometry; None where it could not be found.
    curve : ZeroPointCurve or None
        Zero point; None where it could not be found.
    illumination : Illumination or None
        What the stars say of the response; None where it was not measured.
    problems : tuple of str
        What the reader should know.
    losses : tuple of str
        What the strip should have and has not.
    """
    strip = context.strip
    n = len(sources)
    problems: list[str] = []
    losses: list[str] = []
    fit: FitResult | None = None
    curve: ZeroPointCurve | None = None
    nan = np.full(n, np.nan)
    flags = sources.flags.copy()
    columns: Columns = {
        name: np.asarray(getattr(sources, name))
        for name in (
            "line", "line_err", "column", "column_err", "mom_ll", "mom_lc", "mom_cc",
            "first_moment_radius", "semi_major", "semi_minor", "position_angle", "fwhm", "peak",
            "sky", "chi2", "extendedness", "extendedness_err", "snr",
            "aperture_share", "total_share",
        )
    }  # fmt: skip
    columns["sky_err"] = _sky_error(context, sources)
    if references is not None:
        try:
            fit = solve_strip_geometry(
                config, options, guess, sources, references,
                strip=strip,
            )  # fmt: skip
        except DriftloomError as error:
            losses.append(f"no sky positions: {error}")
    if fit is None:
        flags |= int(SourceFlag.NO_SOLUTION)
        ratio = area = np.ones(n)
        columns |= {k: nan.copy() for k in ("ra", "dec", "ra_err", "dec_err", "mjd_mid")}
        # Half an integration before the line left the register: no place on the sky is needed.
        columns["mjd_mid"] = lines_to_mjd(strip, sources.line - strip.n_stage / 2)
        columns["exposure"] = np.full(n, strip.T0)
        index = np.full(n, -1, dtype=np.int64)
    else:
        solution = fit.solution
        ra, dec = solution.strip_to_sky(sources.line, sources.column)
        ra_err, dec_err = solution.position_errors(
            sources.line, sources.column, sources.line_err, sources.column_err
        )
        columns |= {"ra": np.mod(ra, 360.0), "dec": dec, "ra_err": ra_err, "dec_err": dec_err}
        columns["mjd_mid"] = solution.mid_time(sources.line, sources.column)
        columns["exposure"] = solution.exposure(sources.column)
        ratio = solution.exposure_ratio(sources.column)
        area = solution.solid_angle_ratio(sources.column)
        problems += [slip.sentence(strip.line_period) for slip in solution.slips]
        cut = near_slip(sources.line, solution.slips, margin=_SLIP_MARGIN)
        flags[cut] |= int(SourceFlag.BAD_PIXELS)
        assert references is not None
        index = _match_references(solution, sources, references, radius_px=3.0)
    # The sky always integrates T0, a star its own crossing; and a flat made from the sky makes
    # surface brightness flat, not stars: both are put right here, by column.
    factor = area / ratio
    for kind in ("psf", "aperture", "total"):
        columns[f"flux_{kind}"] = getattr(sources, f"flux_{kind}") * factor
        columns[f"flux_{kind}_err"] = getattr(sources, f"flux_{kind}_err") * factor
    illumination: Illumination | None = None
    light_err = np.zeros(n)
    if catalogue is not None and fit is not None:
        fitted = (config, strip, columns, flags, index, catalogue)
        try:
            curve = _fit_zero_points(*fitted, options)
            illumination, even_curve = _separate_illumination(*fitted, curve, options)
            if config.calibration.illumination == "apply":
                if illumination is None:
                    problems.append(
                        "illumination not applied: too few reference stars in clear sky to "
                        "measure it"
                    )
                else:
                    even = illumination.factor(sources.column)
                    for kind in ("psf", "aperture", "total"):
                        for end in ("", "_err"):
                            columns[f"flux_{kind}{end}"] = columns[f"flux_{kind}{end}"] * even
                    curve = even_curve
                    # As the zero point's, its error is one of magnitudes: it is common to the
                    # stars of a column, and no part of how well a flux was measured.
                    light_err = illumination.error(sources.column)
        except SolutionError as error:
            problems.append(f"no magnitudes: {error}")
    zero = curve.value(sources.line) if curve is not None else nan
    zero_err = np.hypot(curve.error(sources.line), light_err) if curve is not None else nan
    # The zero point belongs to point-spread fluxes; wider apertures hold more of the light, so
    # each has a constant of its own, taken from the same stars.
    share = {"psf": np.ones(n), "aperture": sources.aperture_share, "total": sources.total_share}
    for kind in ("psf", "aperture", "total"):
        flux, err = (columns[f"flux_{kind}{end}"] / share[kind] for end in ("", "_err"))
        shift, shift_err = _offset(flux, columns, flags) if kind != "psf" else (0.0, 0.0)
        columns[f"mag_{kind}"], columns[f"mag_{kind}_err"] = _magnitudes(
            flux, err, zero + shift, np.hypot(zero_err, shift_err)
        )
    if curve is not None:
        flags[curve.cloudy(sources.line)] |= int(SourceFlag.CLOUD)
    columns["flags"] = flags
    columns["ref_index"] = _rows(catalogue, index)
    columns |= _reference_offsets(columns, index, catalogue, references)
    columns["source_id"] = np.arange(n, dtype=np.int64)
    return columns, fit, curve, illumination, tuple(problems), tuple(losses)


def _rows(catalogue: ReferenceCatalogue | None, index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Row in the file of each matched reference star."""
    if catalogue is None or not len(catalogue.index):
        return index
    return np.where(index >= 0, catalogue.index[np.maximum(index, 0)], -1).astype(np.int64)


def _sky_error(context: StripContext, sources: Measurements) -> FloatArray:
    """Error of the sky model at each source: that of the nearest cell."""
    sky = context.sky
    row = np.clip(np.searchsorted(sky.lines, sources.line), 0, sky.lines.size - 1)
    cell = np.clip(np.searchsorted(sky.columns, sources.column), 0, sky.columns.size - 1)
    return np.asarray(sky.error[row, cell], dtype=float)


def _offset(flux: FloatArray, columns: Columns, flags: NDArray[np.int32]) -> tuple[float, float]:
    """Magnitudes by which a flux exceeds the point-spread flux, from bright stars."""
    with np.errstate(invalid="ignore", divide="ignore"):
        bright = (flags == 0) & (columns["flux_psf"] > 100 * columns["flux_psf_err"])
        ratio = flux[bright] / columns["flux_psf"][bright]
    ratio = ratio[np.isfinite(ratio) & (ratio > 0)]
    if ratio.size < 5:
        return 0.0, 0.0
    shift = 2.5 * np.log10(ratio)
    middle = float(np.median(shift))
    spread = SIGMA_PER_MAD * float(np.median(np.abs(shift - middle)))
    return middle, 1.2533 * spread / np.sqrt(shift.size)  # error of a Gaussian's median


def _zero_points_of_stars(
    config: Config,
    strip: Strip,
    columns: Columns,
    flags: NDArray[np.int32],
    index: NDArray[np.int64],
    catalogue: ReferenceCatalogue,
) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Reference stars that are fit for it, and the zero point from each with its error."""
    bright, faint = config.photometry.zero_point_bright, config.photometry.zero_point_faint
    at = np.maximum(index, 0)
    use = (index >= 0) & ((flags & _UNFIT) == 0) & np.isfinite(catalogue.mag[at])
    use &= columns["flux_psf"] > 10 * columns["flux_psf_err"]
    # Reference catalogues hold galaxies: their point-spread flux misses light and would lift the
    # zero point of the stars.
    width = (columns["fwhm"] / FWHM_PER_SIGMA) ** 2
    use &= columns["extendedness"] < _POINT_LIKE * width + 3 * columns["extendedness_err"]
    if bright is not None:
        use &= catalogue.mag[at] >= bright
    if faint is not None:
        use &= catalogue.mag[at] <= faint
    if not use.any():
        raise SolutionError(
            f"strip {strip.name}: none of {int(np.count_nonzero(index >= 0))} matched reference "
            f"stars has a magnitude in filter {strip.filter} and a clean flux; check "
            "reference.magnitudes and photometry.zero_point_bright, zero_point_faint"
        )
    rows = index[use]
    flux, err = columns["flux_psf"][use], columns["flux_psf_err"][use]
    value = catalogue.mag[rows] + 2.5 * np.log10(flux)
    return use, value, np.hypot(_POGSON * err / flux, catalogue.mag_err[rows])


def _fit_zero_points(
    config: Config,
    strip: Strip,
    columns: Columns,
    flags: NDArray[np.int32],
    index: NDArray[np.int64],
    catalogue: ReferenceCatalogue,
    options: StageOptions,
    illumination: Illumination | None = None,
) -> ZeroPointCurve:
    """Zero point along the strip from the reference stars' point-spread fluxes.

    With an illumination, as these fluxes are once it is taken out of them.
    """
    use, value, error = _zero_points_of_stars(config, strip, columns, flags, index, catalogue)
    if illumination is not None:
        value = value - illumination.value(columns["column"][use])
    return fit_zero_point(
        columns["line"][use], value, error, n_lines=strip.n_lines, n_stage=strip.n_stage,
        options=options.zero_point,
    )  # fmt: skip


def _separate_illumination(
    config: Config,
    strip: Strip,
    columns: Columns,
    flags: NDArray[np.int32],
    index: NDArray[np.int64],
    catalogue: ReferenceCatalogue,
    curve: ZeroPointCurve,
    options: StageOptions,
) -> tuple[Illumination | None, ZeroPointCurve]:
    """Illumination by column and zero point by line, each with the other taken out.

    The stars of a few lines lie where they lie on the chip, so that a zero point fitted without
    regard to columns holds some of their illumination, and the other way round.
    """
    fitted = (config, strip, columns, flags, index, catalogue)
    found: Illumination | None = None
    for _ in range(_LIGHT_ROUNDS):
        found = _measure_illumination(*fitted, curve)
        if found is None:
            return None, curve
        curve = _fit_zero_points(*fitted, options, found)
    return found, curve


def _measure_illumination(
    config: Config,
    strip: Strip,
    columns: Columns,
    flags: NDArray[np.int32],
    index: NDArray[np.int64],
    catalogue: ReferenceCatalogue,
    curve: ZeroPointCurve,
) -> Illumination | None:
    """Illumination from the same stars; None where it is not asked for or they are too few."""
    if config.calibration.illumination == "off":
        return None
    use, value, error = _zero_points_of_stars(config, strip, columns, flags, index, catalogue)
    line = columns["line"][use]
    # Through cloud the zero point is not known well enough to tell columns apart.
    error = np.where(curve.cloudy(line), np.inf, error)
    try:
        return fit_illumination(
            columns["column"][use], value - curve.value(line), error, n_columns=strip.n_columns,
            options=IlluminationOptions(),
        )  # fmt: skip
    except SolutionError:
        return None


def _reference_offsets(
    columns: Columns,
    index: NDArray[np.int64],
    catalogue: ReferenceCatalogue | None,
    references: References | None,
) -> Columns:
    """Measured minus reference: arcsec on the sky and magnitudes; NaN where there is no star."""
    out = {
        name: np.full(index.size, np.nan)
        for name in ("ref_ra_offset", "ref_dec_offset", "ref_mag_offset")
    }
    if references is None or catalogue is None:
        return out
    known = np.flatnonzero(index >= 0)
    rows = index[known]
    d_ra = np.mod(columns["ra"][known] - references.ra_deg[rows] + 180.0, 360.0) - 180.0
    cos = np.cos(np.radians(columns["dec"][known]))
    out["ref_ra_offset"][known] = 3600.0 * d_ra * cos
    out["ref_dec_offset"][known] = 3600.0 * (columns["dec"][known] - references.dec_deg[rows])
    out["ref_mag_offset"][known] = columns["mag_psf"][known] - catalogue.mag[rows]
    return out


def make_curves(
    context: StripContext,
    columns: Columns,
    psf: PsfSolution | None,
    fit: FitResult | None,
    curve: ZeroPointCurve | None,
) -> Columns:
    """Conditions along the strip, one row per line bin.

    Parameters
    ----------
    context : StripContext
        Calibrations.
    columns : dict of str to ndarray
        The strip catalogue.
    psf : PsfSolution or None
        Fitted point spread.
    fit : FitResult or None
        Geometry.
    curve : ZeroPointCurve or None
        Zero point.

    Returns
    -------
    dict of str to ndarray
        Columns of the ``curves`` product.
    """
    strip = context.strip
    edges = np.arange(0, strip.n_lines + 256, 256)
    line = np.minimum(0.5 * (edges[:-1] + edges[1:]), strip.n_lines - 1.0) - 0.5
    nan = np.full(line.size, np.nan)
    wander_line, wander_column = np.zeros(line.size), np.zeros(line.size)
    if fit is not None and fit.solution.wander is not None:
        wander_line, wander_column = fit.solution.wander.evaluate(
            put_back(line, fit.solution.slips)
        )
    return {
        "line": line,
        "mjd": lines_to_mjd(strip, line if fit is None else put_back(line, fit.solution.slips)),
        "sky": context.sky.mean_of_lines(np.floor(line)),
        "fwhm": psf.model.fwhm(line) if psf is not None else nan,
        "fwhm_err": psf.fwhm_error(line) if psf is not None else nan,
        "zero_point": curve.value(line) if curve is not None else nan,
        "zero_point_err": curve.error(line) if curve is not None else nan,
        "extinction": curve.extinction(line) if curve is not None else nan,
        "cloudy": curve.cloudy(line) if curve is not None else np.zeros(line.size, dtype=bool),
        "wander_line": np.asarray(wander_line, dtype=float),
        "wander_column": np.asarray(wander_column, dtype=float),
        "n_stars": np.histogram(columns["line"], edges)[0].astype(np.int32),
    }
