"""From detections and reference stars to the strip's solution, with errors and advice."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SolutionError
from pipeline.geometry.advice import Advice, make_advice
from pipeline.geometry.camera import FloatArray
from pipeline.geometry.leastsquares import (
    Pairs,
    SolvedStrip,
    find_loose,
    prior_errors,
    solve_strip,
    stands_still,
)
from pipeline.geometry.match import (
    Detections,
    IntArray,
    MatchOptions,
    References,
    match_nearest,
    match_stars,
)
from pipeline.geometry.slip import Slip, find_slip, put_back, take_out
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.wander import Wander

__all__ = ["FitOptions", "FitResult", "fit_solution"]

logger = logging.getLogger(__name__)

ROUNDS = 3  # match and fit in turn
MOST_SLIPS = 4  # places with lost lines; more and the strip is no strip
MOST_LOST = 1000.0  # lines at one place
SLIP_STARS = 5000  # brightest detections that show them
# An optional term must lower the information criterion by this much: "very strong" evidence on
# the scale of Kass & Raftery 1995, JASA 90, 773.
STRONG = 10.0
MAD_TO_SIGMA = 1.4826  # Gaussian: 1 / 0.67449


@dataclass(frozen=True)
class FitOptions:
    """What is fitted and how.

    Attributes
    ----------
    match : MatchOptions
        Its ranges are also the prior uncertainties of the parameters.
    attribute_to : {"clock", "hour_angle"}
        Which of the two inseparable parameters takes the offset in time; the other is held.
    fit_distortion : bool
        Try a radial term ``k1``; kept only if the data ask for it.
    fit_linear : bool
        Try ``aspect`` and ``skew`` (positions rarely constrain them).
    fit_wander : bool
        Try slow wander of the line of sight; kept only if the data ask for it.
    stars_per_knot : float
        Least mean number of stars per knot interval of the wander.
    knot_spacing_lines : float or None
        Closest knots; half the rows that integrate where None (and never less).
    error_floor_px : float
        Added in quadrature to the errors of line and column.
    clip_sigma : float
        Outlier limit.
    stiffness_px : float
        Weak prior on second differences of the wander's coefficients.
    min_stars : int
        Fewest matched stars.
    max_stars : int
        Brightest detections used at most.
    """

    match: MatchOptions = field(default_factory=MatchOptions)
    attribute_to: str = "clock"
    fit_distortion: bool = True
    fit_linear: bool = False
    fit_wander: bool = True
    stars_per_knot: float = 10.0
    knot_spacing_lines: float | None = None
    error_floor_px: float = 0.005
    clip_sigma: float = 4.5
    stiffness_px: float = 3.0
    min_stars: int = 8
    max_stars: int = 30000

    def __post_init__(self) -> None:
        if self.attribute_to not in ("clock", "hour_angle"):
            raise ValueError(
                f'attribute_to must be "clock" or "hour_angle", got {self.attribute_to!r}'
            )
        for name in ("stars_per_knot", "clip_sigma", "stiffness_px", "min_stars", "max_stars"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be positive, got {getattr(self, name)}")
        if not self.error_floor_px >= 0:
            raise ValueError(f"error_floor_px must not be negative, got {self.error_floor_px}")
        if self.knot_spacing_lines is not None and not self.knot_spacing_lines > 0:
            raise ValueError(f"knot_spacing_lines must be positive, got {self.knot_spacing_lines}")


@dataclass(frozen=True, eq=False)
class FitResult:
    """A strip's solution and how it was reached.

    Attributes
    ----------
    solution : StripSolution
    matched_detection, matched_reference : ndarray of int
        Indices of the matched pairs, one to one.
    residual_line, residual_column : ndarray
        Measured minus predicted of each pair, pixels.
    used : ndarray of bool
        False for pairs clipped as outliers.
    rms_line, rms_column : float
        Of the used pairs, pixels.
    n_used : int
    chi2 : float
        Reduced chi-square of the used pairs.
    errors : dict
        Standard errors of the fitted parameters.
    advice : Advice
    unconstrained : tuple of str
        Parameters that the stars do not constrain, held at their first guess.
    """

    solution: StripSolution
    matched_detection: IntArray = field(repr=False)
    matched_reference: IntArray = field(repr=False)
    residual_line: FloatArray = field(repr=False)
    residual_column: FloatArray = field(repr=False)
    used: NDArray[np.bool_] = field(repr=False)
    rms_line: float
    rms_column: float
    n_used: int
    chi2: float
    errors: dict[str, float]
    advice: Advice = field(repr=False)
    unconstrained: tuple[str, ...]


def _make_pairs(
    solution: StripSolution,
    detections: Detections,
    references: References,
    *,
    di: IntArray,
    ri: IntArray,
    floor: float,
) -> Pairs:
    ra, dec = solution.apparent(references.ra_deg[ri], references.dec_deg[ri])
    mas_per_px = 1e3 * solution.camera.pixel_scale
    along = np.nan_to_num(references.ra_err_mas[ri]) / mas_per_px
    across = np.nan_to_num(references.dec_err_mas[ri]) / mas_per_px
    line_err = np.sqrt(detections.line_err[di] ** 2 + along**2 + floor**2)
    column_err = np.sqrt(detections.column_err[di] ** 2 + across**2 + floor**2)
    return Pairs(detections.line[di], detections.column[di], ra, dec, line_err, column_err)


def _interval_counts(wander: Wander | None, most: int) -> list[int]:
    """Numbers of knot intervals to try: doubling, and the largest allowed.

    Where a wander was found before, the search starts from its number.
    """
    n = 1 if wander is None else wander.n_intervals
    counts = []
    while n < most:
        counts.append(n)
        n *= 2
    return [*counts, most] if most >= 1 else []


def _choose(
    start: StripSolution,
    pairs: Pairs,
    *,
    guess: StripSolution,
    prior: dict[str, float],
    options: FitOptions,
) -> tuple[SolvedStrip, tuple[str, ...]]:
    """Solve with the parameters and the wander that the data support.

    Optional parameters start from the first guess each time, so that one that is not kept leaves
    no trace.
    """
    optional = ("k1", "k2", "aspect", "skew")
    start = start.with_parameters(**{name: guess.parameters[name] for name in optional})
    time_name = "clock_offset_s" if options.attribute_to == "clock" else "hour_angle_deg"
    names: tuple[str, ...] = ("declination_deg", time_name, "pixel_scale_arcsec", "rotation_deg")
    if options.fit_linear:
        names = (*names, "aspect", "skew")

    derivatives: dict[str, tuple[FloatArray, FloatArray]] = {}  # every attempt starts at one place

    def solve(names: tuple[str, ...], n_intervals: int, *, use_prior: bool = False) -> SolvedStrip:
        return solve_strip(
            start,
            pairs,
            names=names,
            prior=prior,
            n_intervals=n_intervals,
            clip_sigma=options.clip_sigma,
            stiffness_px=options.stiffness_px,
            use_prior=use_prior,
            first_derivatives=derivatives,
        )

    held: tuple[str, ...] = ()
    while loose := find_loose(solve(names, 0, use_prior=True), names, prior):
        worst = loose[-1]  # the list runs from the best to the least determined by nature
        held = (*held, worst)
        names = tuple(n for n in names if n != worst)
        if not names:
            raise SolutionError(
                "the matched stars constrain no parameter; use a longer strip or a deeper "
                "reference catalogue"
            )
    best = solve(names, 0)
    n_intervals = 0
    if options.fit_wander:
        closest = 0.5 * start.camera.n_stage
        if options.knot_spacing_lines is not None:
            closest = max(closest, options.knot_spacing_lines)
        most = min(start.n_lines / closest, len(pairs) / options.stars_per_knot)
        failures = 0
        for n in _interval_counts(start.wander, int(most)):
            trial = solve(names, n)
            if trial.merit < best.merit - STRONG:
                best, n_intervals, failures = trial, n, 0
            else:
                failures += 1
            if failures == 2:
                break
    if options.fit_distortion:
        longer = (*names, "k1")
        if find_loose(solve(longer, n_intervals, use_prior=True), longer, prior):
            held = (*held, "k1")
        else:
            trial = solve(longer, n_intervals)
            if trial.merit < best.merit - STRONG:
                best = trial
    return best, held


def fit_solution(
    guess: StripSolution,
    detections: Detections,
    references: References,
    *,
    options: FitOptions,
    nominal_pixel_scale: float | None = None,
    file_edges: Sequence[int] | None = None,
    origin: StripSolution | None = None,
) -> FitResult:
    """Match the stars and fit the strip's geometry.

    Parameters
    ----------
    guess : StripSolution
        First guess, wrong by no more than the ranges of ``options.match``.
    detections : Detections
        Complete transits only (lines after the ramp), unsaturated, unblended as far as known.
    references : References
        At the epoch of observation.
    options : FitOptions
    nominal_pixel_scale : float, optional
        Pixel scale that the optics are meant to give, arcsec, for the advice on the spin rate;
        that of `guess` where None.
    file_edges : sequence of int, optional
        See `match_stars`.
    origin : StripSolution, optional
        Where optional terms begin and stay if the data do not ask for them: the configured
        geometry, where `guess` is fitted already; `guess` where None.

    Returns
    -------
    FitResult

    Raises
    ------
    SolutionError
        If the stars cannot be matched or are too few.
    """
    bright = np.argsort(np.where(np.isfinite(detections.flux), -detections.flux, np.inf))
    good = (
        np.isfinite(detections.line)
        & np.isfinite(detections.column)
        & (detections.line_err > 0)
        & (detections.column_err > 0)
        & np.isfinite(detections.line_err)
        & np.isfinite(detections.column_err)
    )
    chosen = bright[good[bright]][: options.max_stars]
    stars = Detections(
        **{
            name: getattr(detections, name)[chosen]
            for name in ("line", "column", "line_err", "column_err", "flux")
        }
    )
    seen, slips, n_lines = stars, guess.slips, guess.n_lines
    guess = _whole(guess, ())
    while True:
        if slips:
            stars = replace(seen, line=put_back(seen.line, slips))
        whole = _whole(guess, slips)
        match = match_stars(whole, stars, references, options=options.match, file_edges=file_edges)
        more: tuple[Slip, ...] = ()
        if len(slips) < MOST_SLIPS:
            more = find_slip(
                stars.line[:SLIP_STARS], stars.column[:SLIP_STARS],
                match.guess.sky_to_strip(references.ra_deg, references.dec_deg),
                reach=min(options.match.clock_range_s / guess.line_period, MOST_LOST),
                n_lines=whole.n_lines,
            )  # fmt: skip
        # Found among lines that are put back already: as numbered in the strip they lie earlier.
        known = [
            replace(new, line=float(take_out(new.line, slips))) if slips else new for new in more
        ]
        known = [new for new in known if np.isfinite(new.line)]
        if not known:
            break
        slips = tuple(sorted((*slips, *known), key=lambda s: s.line))
    guess = whole
    origin = guess if origin is None else origin
    di, ri, solution = match.detection, match.reference, match.guess
    ranges = options.match
    prior = prior_errors(
        guess,
        clock_s=ranges.clock_range_s,
        pointing_arcmin=ranges.pointing_range_arcmin,
        scale=ranges.scale_range,
        rotation_deg=ranges.rotation_range_deg,
    )
    if options.attribute_to == "hour_angle":
        solution = _move_to_hour_angle(solution, guess)
        prior["hour_angle_deg"] += ranges.clock_range_s * 15.0 / 3600.0
    solved: SolvedStrip | None = None
    held: tuple[str, ...] = ()
    same = False
    for turn in range(ROUNDS):
        if len(di) < options.min_stars:
            raise SolutionError(
                f"only {len(di)} stars matched, at least {options.min_stars} are needed "
                f"({len(stars)} were detected); use a longer strip, a deeper reference "
                "catalogue or a lower detection.threshold"
            )
        pairs = _make_pairs(solution, stars, references, di=di, ri=ri, floor=options.error_floor_px)
        solved, held = _choose(solution, pairs, guess=origin, prior=prior, options=options)
        # A parameter held here must not keep what the pattern match suggested for it.
        first = {name: origin.parameters[name] for name in held}
        if any(solved.solution.parameters[n] != v for n, v in first.items()):
            solution = solved.solution.with_parameters(**first)
            solved, held = _choose(solution, pairs, guess=origin, prior=prior, options=options)
        if turn == ROUNDS - 1 or (same and stands_still(solution, solved.solution)):
            solution = solved.solution
            break
        solution = solved.solution
        spread = MAD_TO_SIGMA * float(
            np.median(np.abs(np.concatenate([solved.residual_line, solved.residual_column])))
        )
        radius = float(np.clip(10.0 * spread, min(1.0, ranges.radius_px), ranges.radius_px))
        predicted = solution.sky_to_strip(references.ra_deg, references.dec_deg)
        now = match_nearest(stars.line, stars.column, *predicted, radius=radius)
        same = np.array_equal(di, now[0]) and np.array_equal(ri, now[1])
        di, ri = now
    assert solved is not None
    used = solved.used
    if np.count_nonzero(used) < options.min_stars:
        raise SolutionError(
            f"only {np.count_nonzero(used)} of {len(used)} matched stars agree, at least "
            f"{options.min_stars} are needed; check the position errors of the detections"
        )
    nominal = guess.camera.pixel_scale if nominal_pixel_scale is None else nominal_pixel_scale
    advice = make_advice(solution, nominal_pixel_scale=nominal)
    solution = replace(solution, slips=slips, n_lines=n_lines)
    result = FitResult(
        solution=solution,
        matched_detection=chosen[di],
        matched_reference=ri,
        residual_line=solved.residual_line,
        residual_column=solved.residual_column,
        used=used,
        rms_line=float(np.sqrt(np.mean(solved.residual_line[used] ** 2))),
        rms_column=float(np.sqrt(np.mean(solved.residual_column[used] ** 2))),
        n_used=int(np.count_nonzero(used)),
        chi2=solved.chi2,
        errors=solution.errors,
        advice=advice,
        unconstrained=held,
    )
    for name in held:
        logger.warning("the stars do not constrain %s: held at its first guess", name)
    logger.info(
        "%d stars, rms %.4f lines, %.4f columns", result.n_used, result.rms_line, result.rms_column
    )
    return result


def _whole(solution: StripSolution, slips: tuple[Slip, ...]) -> StripSolution:
    """The same strip with its lost lines put back and forgotten."""
    n_lines = solution.n_lines + sum(slip.lost for slip in slips)
    return replace(solution, slips=(), n_lines=n_lines)


def _move_to_hour_angle(solution: StripSolution, guess: StripSolution) -> StripSolution:
    """Express the matched clock offset as an hour angle of the axis."""
    shift = solution.clock_offset_s - guess.clock_offset_s
    turned = np.degrees(solution.rate * shift)
    return replace(
        solution,
        clock_offset_s=guess.clock_offset_s,
        axis_hour_angle_deg=float(solution.axis_hour_angle_deg - turned),
    )
