"""Learn the point spread of a strip from its bright, isolated stars.

The smear is known from the geometry; what remains is the seeing, which changes along the strip,
the shape of its wings (one exponent per strip) and, where the data call for it, a Gaussian
covariance of the optics that changes across the chip.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.errors import SolutionError
from pipeline.stages.psf_model import (
    PathProvider,
    PsfModel,
    make_psf_model,
    place_nodes,
)
from pipeline.stages.psf_star_fit import N_PARAMETERS, StarFits, StarNoise, fit_stars
from pipeline.stages.psf_star_nodes import StarNodes
from pipeline.stages.psf_stars import BETA_LIMITS, PsfStarOptions
from pipeline.stages.smooth import SmoothCurve, fit_smooth_curve

__all__ = ["PsfSolution", "fit_aperture_correction", "fit_psf_model"]

_LOGGER = logging.getLogger(__name__)
FloatArray = NDArray[np.float64]

# Exponents at which the misfit is sampled first.
_FIRST_BETAS = (3.0, 2.2, 4.5, 9.0)  # the first is where most fits come from
_BETA_STEPS = 4
# Steps in 1/beta: out of a sampled range without minimum, and about the minimum.
_BETA_FAR, _BETA_NEAR = 0.05, 0.01
_BETA_STARS = 300
_SAMPLE = 300
# Parameters of a star's fit, see `fit_stars`.
_SEEING = (0, 1, 2, 3, 4)
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


class _Stars:
    """Stars and what does not change between rounds of fitting them."""

    def __init__(
        self,
        stamps: NDArray[np.float32],
        variances: NDArray[np.float32],
        columns: FloatArray,
        options: PsfStarOptions,
    ) -> None:
        self.stamps = stamps
        self.variances = variances
        self.columns = columns
        self.options = options
        self.noise = StarNoise(1.0, options.model_error)

    def take(self, which: NDArray[np.int64]) -> "_Stars":
        """Some of the stars."""
        return _Stars(self.stamps[which], self.variances[which], self.columns[which], self.options)

    def with_fixed_variance(self, lights: FloatArray) -> "_Stars":
        """The same stars, their photon noise taken from given models instead of the fitted ones.

        Misfits of different models can be compared only at equal weights: a model with more light
        in the wings would otherwise allow itself more noise there.
        """
        extra = lights + (self.options.model_error * lights) ** 2
        fixed = _Stars(
            self.stamps,
            (self.variances + extra).astype(np.float32),
            self.columns,
            self.options,
        )
        fixed.noise = StarNoise(0.0, 0.0)
        return fixed

    def fit(
        self,
        nodes: StarNodes,
        start: FloatArray,
        free: tuple[int, ...],
        which: NDArray[np.int64],
        *,
        keep_lights: bool = False,
    ) -> StarFits:
        """Fit ``which`` stars from ``start``."""
        return fit_stars(
            self.stamps, self.variances, which, start, free, nodes, self.columns,
            radius=self.options.radius, noise=self.noise,
            max_iterations=self.options.max_iterations, keep_lights=keep_lights,
        )  # fmt: skip


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
    nodes = place_nodes(n_columns, path=path)
    stars = _Stars(stamps, variances, columns, options)
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
                [0.0], [fwhm], nodes, beta=beta, path=path, optics=optics,
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
        brightest = np.argsort(-start[:, 0], kind="stable")[: 2 * _BETA_STARS]
        first = np.union1d(brightest, sample)
    begun = make(beta, typical, None)
    fits = stars.fit(begun, start, _SEEING, first, keep_lights=True)
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
        beta, beta_err = _fit_beta(
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
    model = make(beta, typical, optics)
    residual_q, residual_q_err = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    for round_ in range(_OPTICS_ROUNDS + 1):
        if round_ == 0 and first.size == n and model is begun:
            # Done already, but for stars that may have begun far off.
            again = np.flatnonzero(~good)
            redone = stars.fit(model, start, _SEEING, again)
            for old, new in zip(fits[:3], redone[:3], strict=True):
                old[again] = new
        else:
            fits = stars.fit(model, start, _SEEING, everyone)
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
        shape, shape_cov, shape_chi2, _ = stars.fit(model, fixed, _SHAPE, everyone)
        usable = good & np.isfinite(shape_chi2)
        if round_ == 0:
            residual_q[usable] = shape[usable, 5:]
            residual_q_err[usable] = np.sqrt(
                np.diagonal(shape_cov[usable, 5:, 5:], axis1=1, axis2=2)
            )
        scaled = model.model.scaled_column(columns[usable])
        update, chosen = _fit_optics(
            scaled, shape[usable, 5:], shape_cov[usable, 5:, 5:], options.optics_order
        )
        if update is None:
            break
        order = max(order, chosen)
        optics = _add_polynomials(optics, update)
        model = make(beta, typical, optics)
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


def _fit_beta(
    stars: _Stars, start: FloatArray, make: Callable[[float], StarNodes]
) -> tuple[float, float]:
    """Exponent of least summed misfit, by parabolas in 1/beta; its error from the curvature."""
    # The brightest tell most; a bounded number keeps long strips quick.
    which = np.sort(np.argsort(-start[:, 0], kind="stable")[:_BETA_STARS])
    tried: dict[float, FloatArray] = {}
    guess = start.copy()

    def sample(x: float) -> None:
        values, _, chi2, _ = stars.fit(make(1.0 / x), guess, _SEEING, which)
        tried[x] = chi2
        fitted = np.isfinite(chi2)
        guess[which[fitted]] = values[fitted]

    def misfit() -> tuple[FloatArray, FloatArray]:
        xs = np.array(sorted(tried))
        table = np.stack([tried[x] for x in xs])
        # Only stars fitted at every exponent make the sums comparable.
        common = np.all(np.isfinite(table), axis=0)
        return xs, table[:, common].sum(axis=1)

    for b in _FIRST_BETAS:
        sample(1.0 / b)
    low, high = 1.0 / BETA_LIMITS[1], 1.0 / BETA_LIMITS[0]

    def vertex_of_best() -> tuple[float, float]:
        xs, total = misfit()
        at = int(np.argmin(total))
        near = slice(*_three(at, xs.size))
        vertex, curvature = _parabola(xs[near], total[near])
        if not np.isfinite(vertex):
            vertex = xs[at] + (_BETA_FAR if at == xs.size - 1 else -_BETA_FAR)
        return float(np.clip(vertex, low, high)), curvature

    for _ in range(_BETA_STEPS):
        x, _ = vertex_of_best()
        if min(abs(x - t) for t in tried) < _BETA_NEAR:
            break
        sample(x)
    # A close triple about the minimum: far points would bend the parabola.
    x, _ = vertex_of_best()
    tried = {}
    middle = float(np.clip(x, low + _BETA_NEAR, high - _BETA_NEAR))
    for step in (-_BETA_NEAR, 0.0, _BETA_NEAR):
        sample(middle + step)
    x, curvature = vertex_of_best()
    pixels = float(np.mean(np.isfinite(stars.variances[which]).sum(axis=(1, 2))))
    inside = np.pi * stars.options.radius**2 / stars.stamps[0].size
    # `misfit` sums reduced chi-squares: times the pixels of a star it is chi-square.
    curvature *= pixels * min(inside, 1.0)
    x_err = np.sqrt(2.0 / curvature) if curvature > 0 else np.nan
    return 1.0 / x, float(x_err / x**2)


def _three(at: int, n: int) -> tuple[int, int]:
    first = min(max(at - 1, 0), n - 3)
    return first, first + 3


def _parabola(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Abscissa of the minimum and second derivative; NaN when there is no minimum."""
    a, b, _ = np.polyfit(x - x[1], y - y[1], 2)
    if not a > 0:
        return np.nan, np.nan
    return float(x[1] - b / (2 * a)), float(2 * a)


def _fit_optics(
    x: FloatArray, q: FloatArray, covariance: FloatArray, max_order: int
) -> tuple[FloatArray | None, int]:
    """Polynomials of the covariance in column, of the order the data prefer; None for none.

    The mean of the trace belongs to the seeing and is taken out.
    """
    n = x.size
    best: FloatArray | None = None
    chosen = -1
    if n <= 3 * (max_order + 1):
        return None, -1
    weight = np.linalg.inv(covariance)
    for _ in range(3):
        fits: list[tuple[float, int, FloatArray]] = []
        for order in range(max_order, -2, -1):
            powers = x[:, None] ** np.arange(order + 1)
            k = order + 1
            normal = np.einsum("np,nij,nq->ipjq", powers, weight, powers).reshape(3 * k, 3 * k)
            right = np.einsum("np,nij,nj->ip", powers, weight, q).ravel()
            c = np.linalg.solve(normal, right).reshape(3, k) if k else np.zeros((3, 0))
            r = q - powers @ c.T
            d2 = np.einsum("ni,nij,nj->n", r, weight, r)
            if order == max_order:
                # Errors too small by the form of the model, and outliers, judged at full order;
                # 2.366 is the median of chi-square with three degrees of freedom.
                excess = max(float(np.median(d2)) / 2.366, 1.0)
                outlier = d2 > 20.0 * excess
            chi2 = float(np.sum(d2[~outlier])) / excess
            n_free = 3 * k - 1 if k else 0
            fits.append((chi2 + n_free * np.log(3.0 * n), order, c))
        weight = np.where(outlier[:, None, None], 0.0, weight)
        _, chosen, best = min(fits, key=lambda f: f[0])
        if not np.any(outlier):
            break
    if chosen < 0 or best is None:
        return None, -1
    powers = x[:, None] ** np.arange(chosen + 1)
    trace = float(np.mean(powers @ (best[0] + best[2])))
    best = best.copy()
    best[[0, 2], 0] -= 0.5 * trace
    return best, chosen


def _add_polynomials(old: FloatArray | None, new: FloatArray) -> FloatArray:
    if old is None:
        return new
    out = np.zeros((3, max(old.shape[1], new.shape[1])))
    out[:, : old.shape[1]] += old
    out[:, : new.shape[1]] += new
    return out


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
