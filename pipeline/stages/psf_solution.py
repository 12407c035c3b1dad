"""Learn the point spread of a strip from its bright, isolated stars.

The smear is known from the geometry; what remains is the seeing, which changes along the strip,
the shape of its wings (one exponent per strip) and, where the data call for it, a Gaussian
covariance of the optics that changes across the chip.
"""

import logging
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.errors import SolutionError
from pipeline.stages.psf_exponent import EXPONENT_STARS, SEEING, StarStamps, fit_exponent
from pipeline.stages.psf_model import (
    PathProvider,
    PsfModel,
    make_psf_model,
    place_nodes,
)
from pipeline.stages.psf_optics import add_polynomials, fit_optics
from pipeline.stages.psf_star_fit import N_PARAMETERS
from pipeline.stages.psf_star_nodes import StarNodes
from pipeline.stages.psf_stars import BETA_LIMITS, PsfStarOptions
from pipeline.stages.smooth import SmoothCurve, fit_smooth_curve

__all__ = ["PsfSolution", "fit_aperture_correction", "fit_psf_model"]

_LOGGER = logging.getLogger(__name__)
FloatArray = NDArray[np.float64]

_SAMPLE = 300
_SHAPE = (0, 1, 2, 3, 5, 6, 7)
_WIDTH = 4
# Stars whose reduced chi-square exceeds the median by this factor are double, bad or resolved.
_MAX_CHI2_RATIO = 4.0
_OPTICS_ROUNDS = 2


@dataclass(frozen=True, eq=False)
class PsfSolution:
    """Result of `fit_psf_model`.

    Attributes
    ----------
    model : PsfModel
    ln_fwhm : SmoothCurve
        ln(FWHM/px) along the line.
    beta_err : float
        Standard error of the exponent; NaN when it was given.
    optics_order : int
        Order used for the optics' covariance; -1 for none.
    line, column : ndarray of shape (n,)
        Fitted positions of the stars.
    fwhm, fwhm_err : ndarray
        Of the stars, px; NaN where the fit failed.
    covariance, covariance_err : ndarray of shape (n, 3)
        Second moments (ll, lc, cc) beyond seeing curve and path, px^2: zero on average within
        their errors, before the optics' polynomials, when the predicted smear is right.
    chi2 : ndarray
        Reduced chi-square.
    used : ndarray of bool
    problems : tuple of str
        What the user should know.
    parameters : ndarray of shape (n, 8)
        Of each star's fit, to begin another one with.
    """

    model: PsfModel
    ln_fwhm: SmoothCurve
    beta_err: float
    optics_order: int
    line: FloatArray
    column: FloatArray
    fwhm: FloatArray
    fwhm_err: FloatArray
    covariance: FloatArray
    covariance_err: FloatArray
    chi2: FloatArray
    used: NDArray[np.bool_]
    problems: tuple[str, ...]
    parameters: FloatArray

    def fwhm_error(self, line: ArrayLike) -> FloatArray:
        """Standard error of the seeing curve at global lines, px."""
        return self.ln_fwhm.error(line) * np.exp(self.ln_fwhm.value(line))


def _first_guess(
    stamps: NDArray[np.float32],
    variances: NDArray[np.float32],
    d_line: FloatArray,
    d_column: FloatArray,
    radius: float,
    smear: FloatArray,
) -> FloatArray:
    """Rough flux and one rough width for all stars; `smear` as of `PsfModel.second_moments`."""
    start = np.zeros((stamps.shape[0], N_PARAMETERS))
    at = np.arange(stamps.shape[1]) - stamps.shape[1] // 2
    good = np.isfinite(variances) & (at[:, None] ** 2 + at**2 <= radius**2)
    light = np.where(good, stamps, 0.0)
    flux = np.maximum(light.sum(axis=(1, 2), dtype=float), 1.0)
    peak = np.maximum(light.max(axis=(1, 2)), 1e-3)
    start[:, 0] = flux
    start[:, 1] = d_line
    start[:, 2] = d_column
    # Of a Gaussian flux / peak is 2 pi times the root of its covariance's determinant, and seeing
    # of variance v adds v to both ends of the diagonal: solved for v.
    ll, lc, cc = smear
    area = (flux / (2.0 * np.pi * peak)) ** 2
    variance = np.sqrt(0.25 * (ll - cc) ** 2 + lc**2 + area) - 0.5 * (ll + cc)
    # A peak this high is that of a narrower profile if that has wings.
    fwhm = 0.87 * FWHM_PER_SIGMA * np.sqrt(max(float(np.median(variance)), 0.0))
    start[:, _WIDTH] = np.log(np.clip(fwhm, 1.2, 10.0))
    return start


def fit_psf_model(
    stamps: ArrayLike,
    variances: ArrayLike,
    lines: ArrayLike,
    columns: ArrayLike,
    path: PathProvider | None,
    *,
    n_lines: int,
    n_columns: int,
    n_stage: int,
    options: PsfStarOptions,
    begin: FloatArray | None = None,
) -> PsfSolution:
    """Fit seeing along the strip, exponent, and optics across the chip.

    Parameters
    ----------
    stamps, variances : array_like of shape (n, size, size)
        Sky-subtracted electrons around each star and their background variance, infinite for
        bad pixels: `cut_stamps`.
    lines, columns : array_like of shape (n,)
        Global positions; the stamps are centred on the nearest pixels.
    path : callable or None
        The star's path at given columns, see `make_psf_model`; None for no smear.
    n_lines, n_columns, n_stage : int
        Of the strip.
    options : PsfStarOptions
    begin : ndarray of shape (n, 8), optional
        `PsfSolution.parameters` of an earlier fit of the same stars, with a path much like this;
        NaN for stars that had no part in it.

    Returns
    -------
    PsfSolution

    Raises
    ------
    SolutionError
        No star can be fitted.
    ValueError
        The shapes disagree.
    """
    stamps = np.ascontiguousarray(stamps, dtype=np.float32)
    variances = np.ascontiguousarray(variances, dtype=np.float32)
    lines, columns = (np.asarray(a, dtype=float) for a in (lines, columns))
    n = lines.size
    if stamps.ndim != 3 or stamps.shape != variances.shape or stamps.shape[0] != n:
        raise ValueError(
            "stamps, variances: must have shape (n, size, size) with one stamp per star, got "
            f"{stamps.shape}, {variances.shape}, {n} stars"
        )
    if n and stamps.shape[1] // 2 > options.half_size:
        raise ValueError(
            f"stamps: half size must be at most the model's {options.half_size}, "
            f"got {stamps.shape[1] // 2}"
        )
    if n == 0:
        raise SolutionError(
            "point spread: the strip has no bright isolated star; lower min_snr or the isolation "
            "radius, or check that the strip is not clouded throughout"
        )
    node_columns = place_nodes(n_columns, path=path)
    stars = StarStamps(stamps, variances, columns, options)
    problems: list[str] = []
    everyone = np.arange(n)

    kept: dict[bytes, StarNodes] = {}
    half_size = min(stamps.shape[1] // 2, int(np.ceil(options.radius)))

    def make(beta: float, fwhm: float, optics: FloatArray | None) -> StarNodes:
        """Nodes that share smear and grids with the last ones made for these optics."""
        key = b"" if optics is None else optics.tobytes()
        if key not in kept:
            kept.clear()
            model = make_psf_model(
                [0.0], [fwhm], node_columns, beta=beta, path=path, optics=optics,
                half_size=options.half_size,
            )  # fmt: skip
            kept[key] = StarNodes(model, half_size)
        kept[key] = kept[key].with_seeing(beta, fwhm)
        return kept[key]

    beta = options.beta if options.beta is not None else options.default_beta
    smear = make(beta, 2.0, None).model.second_moments(columns)
    start = _first_guess(
        stamps, variances, lines - np.rint(lines), columns - np.rint(columns), options.radius,
        smear,
    )  # fmt: skip
    known = np.zeros(n, dtype=np.bool_)
    if begin is not None:
        known = np.all(np.isfinite(begin), axis=1)
        start[known] = begin[known]
        start[~known, _WIDTH] = np.median(start[known, _WIDTH])
    typical = float(np.exp(np.median(start[:, _WIDTH])))
    # The exponent asks for the brightest alone, of which twice as many leave enough that are clean;
    # how well a clean star fits, a sample of all tells.
    first, sample = everyone, everyone
    if options.beta is None:
        sample = everyone[:: max(n // _SAMPLE, 1)]
        brightest = np.argsort(-start[:, 0], kind="stable")[: 2 * EXPONENT_STARS]
        first = np.union1d(brightest, sample)
    begun = make(beta, typical, None)
    fits = stars.fit(begun, start, SEEING, first, keep_lights=True)
    good = _clean(fits.chi2, np.isin(first, sample))
    if not np.any(good):
        raise SolutionError(
            f"point spread: none of {n} bright stars can be fitted; is the sky subtracted, are "
            "the stars in focus, does the predicted smear fit this strip?"
        )
    start[first[good]] = fits.values[good]
    width = float(np.median(fits.values[good, _WIDTH]))
    known[first] = good
    start[~known, _WIDTH] = width
    typical = float(np.exp(width))
    beta_err = np.nan
    enough = int(np.count_nonzero(good)) >= options.min_stars
    if options.beta is None and enough:
        beta, beta_err = fit_exponent(
            stars.take(first[good]).with_fixed_variance(fits.lights[good]), start[first[good]],
            lambda b: make(b, typical, None),
        )  # fmt: skip
        if beta in BETA_LIMITS:
            problems.append(f"point-spread exponent at the limit of its range, {beta:g}")
    elif options.beta is None:
        problems.append(
            f"only {np.count_nonzero(good)} point-spread stars: exponent {beta:g} assumed"
        )

    optics: FloatArray | None = None
    order = -1
    nodes = make(beta, typical, optics)
    residual_q, residual_q_err = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    for round_ in range(_OPTICS_ROUNDS + 1):
        if round_ == 0 and first.size == n and nodes is begun:
            # Done already, but for stars that may have begun far off.
            again = np.flatnonzero(~good)
            redone = stars.fit(nodes, start, SEEING, again)
            for old, new in zip(fits[:3], redone[:3], strict=True):
                old[again] = new
        else:
            fits = stars.fit(nodes, start, SEEING, everyone)
        values, covariances, chi2, _ = fits
        good = _clean(chi2)
        if not np.any(good):
            raise SolutionError(
                "point spread: no star can be fitted with the solution's own optics"
            )
        err = np.sqrt(covariances[:, _WIDTH, _WIDTH])
        curve = fit_smooth_curve(
            np.where(good, lines, np.nan),
            values[:, _WIDTH],
            err,
            start=0.0,
            stop=float(n_lines),
            min_knot_spacing=0.5 * n_stage,
        )
        good &= curve.used
        start[good] = values[good]
        fixed = start.copy()
        fixed[:, _WIDTH] = curve.value(lines)
        fixed[:, 5:] = 0.0
        if round_ == _OPTICS_ROUNDS or not enough:
            break
        shape, shape_cov, shape_chi2, _ = stars.fit(nodes, fixed, _SHAPE, everyone)
        usable = good & np.isfinite(shape_chi2)
        if round_ == 0:
            residual_q[usable] = shape[usable, 5:]
            residual_q_err[usable] = np.sqrt(
                np.diagonal(shape_cov[usable, 5:, 5:], axis1=1, axis2=2)
            )
        scaled = nodes.model.scaled_column(columns[usable])
        update, chosen = fit_optics(
            scaled, shape[usable, 5:], shape_cov[usable, 5:, 5:], options.optics_order
        )
        if update is None:
            break
        order = max(order, chosen)
        optics = add_polynomials(optics, update)
        nodes = make(beta, typical, optics)
    grid = np.linspace(0.0, n_lines, max(2, 8 * n_lines // n_stage + 1))
    model = make(beta, typical, optics).model.along(grid, np.exp(curve.value(grid)))
    if curve.coefficients.size == 1:
        problems.append("too few point-spread stars: one seeing value for the whole strip")
    fwhm = np.where(np.isfinite(chi2), np.exp(values[:, _WIDTH]), np.nan)
    _LOGGER.info("point spread: %d stars, beta %.2f, optics order %d", good.sum(), beta, order)
    return PsfSolution(
        model=model,
        ln_fwhm=curve,
        beta_err=beta_err,
        optics_order=order,
        line=np.rint(lines) + values[:, 1],
        column=np.rint(columns) + values[:, 2],
        fwhm=fwhm,
        fwhm_err=fwhm * err,
        covariance=residual_q,
        covariance_err=residual_q_err,
        chi2=chi2,
        used=good,
        problems=tuple(problems),
        parameters=start,
    )


def _clean(chi2: FloatArray, sample: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Stars that were fitted and fit as well as most, or as most of a sample of them."""
    like = chi2 if sample is None else chi2[sample]
    if not np.any(np.isfinite(like)):
        return np.zeros(chi2.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        return np.asarray(chi2 < _MAX_CHI2_RATIO * max(float(np.nanmedian(like)), 1.0))


def fit_aperture_correction(
    lines: ArrayLike,
    aperture_fluxes: ArrayLike,
    psf_fluxes: ArrayLike,
    relative_errs: ArrayLike,
    *,
    n_lines: int,
    n_stage: int,
) -> SmoothCurve:
    """Smooth curve of ln(aperture flux / point-spread flux) along the line.

    Where the true point spread is not of the model's form, its fluxes are off by a factor that
    follows the seeing. A zero point fitted to the same kind of flux absorbs it; this curve
    tells how large it is, and brings point-spread fluxes to the scale of aperture fluxes.

    Parameters
    ----------
    lines : array_like of shape (n,)
        Global lines of bright isolated stars.
    aperture_fluxes, psf_fluxes : array_like of shape (n,)
        Values that are not positive are ignored.
    relative_errs : array_like of shape (n,)
        Relative error of the ratio.
    n_lines, n_stage : int
        Of the strip.

    Returns
    -------
    SmoothCurve

    Raises
    ------
    SolutionError
        No star is usable.
    """
    a, p = (np.asarray(v, dtype=float) for v in (aperture_fluxes, psf_fluxes))
    good = (a > 0) & (p > 0)
    if not np.any(good):
        raise SolutionError("aperture correction: no star has two positive fluxes")
    ratio = np.full(a.shape, np.nan)
    ratio[good] = np.log(a[good] / p[good])
    return fit_smooth_curve(
        lines, ratio, relative_errs, start=0.0, stop=float(n_lines), min_knot_spacing=0.5 * n_stage
    )
