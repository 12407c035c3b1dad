"""Robust weighted least squares of a strip's parameters and its wander, for matched stars."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.errors import SolutionError
from pipeline.geometry.camera import FloatArray
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.wander import Wander, mean_weights, spline_weights

__all__ = [
    "Pairs", "SolvedStrip", "find_loose", "prior_errors", "solve_strip", "stands_still",
]  # fmt: skip

GAUGE_PX = 1e-5  # the wander's mean is zero to this: the rest belongs to clock and declination
MAX_STEPS = 12
PRIOR_STEPS = 2  # with a prior only the covariance is wanted
FRESH_DERIVATIVES = 2  # the problem is so nearly linear that they hold from then on
CONVERGED = 1e-4  # of a standard error
UNCONSTRAINED = 0.5  # posterior over prior error above which a parameter is held
MEDIAN_CHI2 = 1.3862943611198906  # of two degrees of freedom: 2 ln 2


@dataclass(frozen=True, eq=False)
class Pairs:
    """Matched stars: measured pixels, apparent place, and total errors.

    Attributes
    ----------
    line, column : ndarray
        Measured, pixels.
    ra, dec : ndarray
        Apparent place, radians.
    line_err, column_err : ndarray
        Standard errors of measured minus predicted, pixels.
    """

    line: FloatArray
    column: FloatArray
    ra: FloatArray
    dec: FloatArray
    line_err: FloatArray
    column_err: FloatArray

    def __len__(self) -> int:
        return len(self.line)

    def select(self, keep: NDArray[np.bool_]) -> "Pairs":
        """Pairs where `keep` holds."""
        return Pairs(
            *(
                getattr(self, name)[keep]
                for name in ("line", "column", "ra", "dec", "line_err", "column_err")
            )
        )


@dataclass(frozen=True, eq=False)
class SolvedStrip:
    """Outcome of `solve_strip`.

    Attributes
    ----------
    solution : StripSolution
        With covariance of the free parameters, scaled by the reduced chi-square where above 1
        (not so where a prior takes part).
    residual_line, residual_column : ndarray
        Measured minus predicted, all pairs, pixels.
    used : ndarray of bool
        False for pairs clipped as outliers.
    chi2 : float
        Reduced chi-square of the used pairs.
    merit : float
        Bayesian information criterion, with outliers limited and the errors' scale free.
    """

    solution: StripSolution
    residual_line: FloatArray
    residual_column: FloatArray
    used: NDArray[np.bool_]
    chi2: float
    merit: float


def prior_errors(
    solution: StripSolution,
    *,
    clock_s: float,
    pointing_arcmin: float,
    scale: float,
    rotation_deg: float,
) -> dict[str, float]:
    """How well each parameter is known before any star is seen.

    Parameters
    ----------
    solution : StripSolution
    clock_s, pointing_arcmin, scale, rotation_deg : float
        Uncertainties of the first guess; `scale` is relative.

    Returns
    -------
    dict
        Standard error by parameter name. Distortion is given 10 px at the corner of the chip,
        linear terms 1 %.
    """
    camera = solution.camera
    across = max(camera.centre_column, camera.n_columns - 1.0 - camera.centre_column)
    along = max(camera.centre_row, camera.n_stage - camera.centre_row)
    corner = float(np.hypot(float(across), float(along)))
    radius = corner / camera.scale
    return {
        "declination_deg": pointing_arcmin / 60.0,
        "hour_angle_deg": pointing_arcmin / 60.0,
        "clock_offset_s": clock_s,
        "pixel_scale_arcsec": scale * camera.pixel_scale,
        "rotation_deg": rotation_deg,
        "k1": 10.0 / (corner * radius**2),
        "k2": 10.0 / (corner * radius**4),
        "aspect": 0.01,
        "skew": 0.01,
    }


def _predict(solution: StripSolution, pairs: Pairs) -> tuple[FloatArray, FloatArray]:
    """Steady line and column (without wander)."""
    line, column = solution.strip_map.sky_to_strip(pairs.ra, pairs.dec)
    if not np.all(np.isfinite(column)):
        raise SolutionError(
            "matched stars fall outside the chip after a step of the fit; check the pixel scale "
            "and the axis declination of the configuration"
        )
    return line, column


def _derivatives(
    solution: StripSolution,
    pairs: Pairs,
    names: tuple[str, ...],
    steps: dict[str, float],
    kept: dict[str, tuple[FloatArray, FloatArray]] | None,
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of line and column by the named parameters, by central differences."""
    found = {} if kept is None else kept
    for name in names:
        if name in found:
            continue
        value, step = solution.parameters[name], 1e-3 * steps[name]
        high = _predict(solution.with_parameters(**{name: value + step}), pairs)
        low = _predict(solution.with_parameters(**{name: value - step}), pairs)
        found[name] = (high[0] - low[0]) / (2.0 * step), (high[1] - low[1]) / (2.0 * step)
    along, across = (np.stack([found[n][k] for n in names], axis=1) for k in (0, 1))
    return along, across


def _basis(line: FloatArray, *, first: float, step: float, n_intervals: int) -> sparse.csr_array:
    index, weights = spline_weights(line, first=first, step=step, n_intervals=n_intervals)
    rows = np.repeat(np.arange(len(line)), 4)
    columns = (index[:, None] + np.arange(4)).ravel()
    shape = (len(line), n_intervals + 3)
    return sparse.csr_array((weights.ravel(), (rows, columns)), shape=shape)


def _stiffness(n: int, stiffness_px: float) -> FloatArray:
    """Normal matrix of the wander's weak prior: small second differences, zero mean."""
    second = np.diff(np.eye(n), 2, axis=0) / stiffness_px
    mean = mean_weights(n - 3) / GAUGE_PX
    return np.asarray(second.T @ second + np.outer(mean, mean))


def _chi2(dl: FloatArray, dc: FloatArray, pairs: Pairs) -> FloatArray:
    return (dl / pairs.line_err) ** 2 + (dc / pairs.column_err) ** 2


def solve_strip(
    start: StripSolution,
    pairs: Pairs,
    *,
    names: tuple[str, ...],
    prior: dict[str, float],
    n_intervals: int,
    clip_sigma: float,
    stiffness_px: float,
    use_prior: bool = False,
    first_derivatives: dict[str, tuple[FloatArray, FloatArray]] | None = None,
) -> SolvedStrip:
    """Fit parameters and wander to matched stars by clipped Gauss-Newton steps.

    Parameters
    ----------
    start : StripSolution
        Where to start; its wander is replaced.
    pairs : Pairs
    names : tuple of str
        Free parameters.
    prior : dict
        Uncertainty by name: sets the scale of numerical steps.
    n_intervals : int
        Knot intervals of the wander; 0 for none.
    clip_sigma : float
        Pairs beyond this many (robustly rescaled) standard errors are left out.
    stiffness_px : float
        Weak prior on the second differences of the wander's coefficients, pixels.
    use_prior : bool, optional
        True also constrains the parameters to `start` by `prior`.
    first_derivatives : dict, optional
        Derivatives of line and column at `start` by name, as far as they were computed before for
        the same pairs and prior; what is missing is added.

    Returns
    -------
    SolvedStrip

    Raises
    ------
    SolutionError
        If fewer pairs than parameters remain or the normal matrix is singular.
    """
    solution = replace(start, wander=None)
    scale = np.array([prior[name] for name in names])
    wander: Wander | None = None
    n_wander = n_intervals + 3 if n_intervals else 0
    first, last = 0.0, float(start.n_lines)
    step = (last - first) / max(n_intervals, 1)
    p = len(names)
    covariance = np.zeros((p, p))
    by_line = by_column = np.zeros((len(pairs), p))
    used = np.ones(len(pairs), bool)
    fresh, most = (1, PRIOR_STEPS) if use_prior else (FRESH_DERIVATIVES, MAX_STEPS)
    for turn in range(most):
        line, column = _predict(solution, pairs)
        wl, wc = (0.0, 0.0) if wander is None else wander.evaluate(line)
        chi2 = _chi2(pairs.line - line - wl, pairs.column - column - wc, pairs)
        # The errors may be too small by a factor: clip in units of what the bulk shows.
        unit = max(1.0, float(np.median(chi2)) / MEDIAN_CHI2)
        used = chi2 < clip_sigma**2 * unit
        if 2 * np.count_nonzero(used) <= p + 2 * n_wander:
            raise SolutionError(
                f"{np.count_nonzero(used)} stars remain for {p + 2 * n_wander} parameters; use a "
                "longer strip, a deeper reference catalogue or fewer free parameters"
            )
        some = pairs.select(used)
        if turn < fresh:
            kept = first_derivatives if turn == 0 else None
            by_line, by_column = _derivatives(solution, pairs, names, prior, kept)
        jl, jc = by_line[used] * scale, by_column[used] * scale
        vl, vc = some.line_err**-2.0, some.column_err**-2.0
        rl, rc = some.line - line[used], some.column - column[used]
        normal = np.zeros((p + 2 * n_wander, p + 2 * n_wander))
        right = np.zeros(p + 2 * n_wander)
        normal[:p, :p] = jl.T @ (vl[:, None] * jl) + jc.T @ (vc[:, None] * jc)
        right[:p] = jl.T @ (vl * rl) + jc.T @ (vc * rc)
        if use_prior:
            values = solution.parameters
            off = np.array([values[name] - start.parameters[name] for name in names]) / scale
            normal[:p, :p] += np.eye(p)
            right[:p] -= off
        if n_wander:
            b = _basis(line[used], first=first, step=step, n_intervals=n_intervals)
            prior_matrix = _stiffness(n_wander, stiffness_px)
            for k, (j, v, r) in enumerate(((jl, vl, rl), (jc, vc, rc))):
                part = slice(p + k * n_wander, p + (k + 1) * n_wander)
                weighted = sparse.csr_array(b.multiply(v[:, None]))
                normal[part, part] = (weighted.T @ b).toarray() + prior_matrix
                normal[part, :p] = weighted.T @ j
                normal[:p, part] = normal[part, :p].T
                right[part] = weighted.T @ r
        unknowns = len(right)
        sides = np.column_stack([right, np.eye(unknowns, p)])
        try:
            solved: FloatArray = np.asarray(np.linalg.solve(normal, sides), np.float64)
        except np.linalg.LinAlgError as error:
            raise SolutionError(
                f"the matched stars do not determine {', '.join(names)} together; "
                "use a longer strip or fewer free parameters"
            ) from error
        answer, inverse = solved[:, 0], solved[:p, 1:]
        change = answer[:p]
        values = solution.parameters
        solution = solution.with_parameters(
            **{
                name: values[name] + float(c * s)
                for name, c, s in zip(names, change, scale, strict=True)
            }
        )
        if n_wander:
            wander = Wander(first, step, answer[p : p + n_wander], answer[p + n_wander :])
        covariance = np.asarray(inverse * np.outer(scale, scale), np.float64)
        sigma = np.sqrt(np.maximum(np.diag(inverse), 0.0)) + 1e-30
        if turn >= 3 and np.all(np.abs(change) < CONVERGED * sigma):
            break
    line, column = _predict(solution, pairs)
    wl, wc = (0.0, 0.0) if wander is None else wander.evaluate(line)
    dl, dc = pairs.line - line - wl, pairs.column - column - wc
    chi2 = _chi2(dl, dc, pairs)
    freedom = max(1, 2 * int(np.count_nonzero(used)) - p - 2 * n_wander)
    reduced = float(np.sum(chi2[used])) / freedom
    solution = replace(
        solution,
        wander=wander,
        parameter_names=names,
        covariance=covariance * (1.0 if use_prior else max(1.0, reduced)),
    )
    return SolvedStrip(solution, dl, dc, used, reduced, _merit(chi2, p + 2 * n_wander, clip_sigma))


def _merit(chi2: FloatArray, n_parameters: int, clip_sigma: float) -> float:
    """Bayesian information criterion with the scale of the errors left free.

    Outliers count by the clipping limit (in the errors as given or, where the bulk is wider, as
    rescaled by the bulk).
    """
    n = 2 * len(chi2)
    unit = max(1.0, float(np.median(chi2)) / MEDIAN_CHI2)
    limited = np.minimum(chi2, clip_sigma**2 * unit)
    return float(n * np.log(np.sum(limited) / n + 1e-300) + n_parameters * np.log(n))


def find_loose(
    solved: SolvedStrip, names: tuple[str, ...], prior: dict[str, float]
) -> tuple[str, ...]:
    """Names of which the stars know no more than the first guess did.

    `solved` must have been solved with the prior. From an error e of the stars alone and a prior
    error s the posterior error is e s / hypot(e, s); joint degeneracies show in it as well.
    """
    scale = np.array([prior[n] for n in names])
    posterior = np.sqrt(np.diag(solved.solution.covariance)) / scale
    return tuple(n for n, s in zip(names, posterior, strict=True) if s > UNCONSTRAINED)


def stands_still(before: StripSolution, after: StripSolution) -> bool:
    """Whether a fit that began this near its end would end there again with the same stars.

    The problem is so nearly linear that what is left after a step of one standard error is
    millionths of it.
    """
    values, old, errors = after.parameters, before.parameters, after.errors
    knots = [0 if s.wander is None else s.wander.n_intervals for s in (before, after)]
    return (
        before.parameter_names == after.parameter_names
        and knots[0] == knots[1]
        and all(abs(values[name] - old[name]) <= errors[name] for name in after.parameter_names)
    )
