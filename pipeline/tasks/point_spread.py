"""The point spread of a whole strip, from the stars its blocks cut out.

The smear in the point spread comes from the geometry, and positions in smeared images come from
the point spread. Cores of bright stars, with which the geometry begins, are pulled off the mean
of a curved path by tenths of a pixel, as far as several hundredths of a degree of rotation. So
both are solved in turn: an error of the rotation comes back about seven times smaller each time.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.errors import SolutionError
from pipeline.geometry.fit import fit_solution
from pipeline.geometry.match import Detections as StarList
from pipeline.geometry.match import References
from pipeline.geometry.solution import StripSolution
from pipeline.stages.detect import Detections
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.psf_solution import PsfSolution, fit_psf_model
from pipeline.stages.psf_stars import PsfStarOptions, rank_stars, select_psf_stars
from pipeline.strip import Strip
from pipeline.tasks.first_guess import PathOf
from pipeline.tasks.first_look import FirstLook
from pipeline.tasks.options import StageOptions
from pipeline.tasks.search import BlockFind
from pipeline.tasks.seeing_drift import SeeingDrift, tabulate_seeing_drift

__all__ = ["Spread", "fit_point_spread", "join_detections"]

_ROUNDS = 4
_STILL = 0.01  # px: a change of the path's ends that moves no position by a thousandth
_RETURN = 1.0 / 7.0  # share of an error of the rotation that comes back
_MOST_STARS = 2000


def join_detections(finds: list[BlockFind]) -> Detections:
    """Sources of all blocks of a strip.

    Parameters
    ----------
    finds : list of BlockFind
        In order of line.

    Returns
    -------
    Detections
    """
    parts = [f.detections for f in finds]
    return Detections(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Detections)}
    )


def _column_widths(psf: PsfModel, n_columns: int) -> NDArray[np.float64]:
    """Total FWHM at each column in the worst seeing of a strip, along the axis more smeared.

    Parameters
    ----------
    psf : PsfModel
        Of the strip.
    n_columns : int
        Of the chip.

    Returns
    -------
    ndarray of shape (n_columns,)
        px.
    """
    ll, _, cc = psf.second_moments(np.arange(n_columns, dtype=float))
    seeing = float(psf.fwhm_values.max()) / FWHM_PER_SIGMA
    return np.asarray(FWHM_PER_SIGMA * np.sqrt(seeing**2 + np.maximum(ll, cc)))


@dataclass(frozen=True)
class Spread:
    """Point spread and geometry of a strip.

    Parameters
    ----------
    model : PsfModel
        What sources are measured with.
    fit : PsfSolution or None
        None where no star would do and the model is that of the first look.
    solution : StripSolution or None
        Geometry that gave the smear.
    widths : ndarray of shape (n_columns,)
        Total FWHM at each column in the worst seeing, along the axis more smeared, px.
    drift : SeeingDrift or None
        What changing seeing does to positions; None without a geometry.
    problems : tuple of str
        What the reader should know.
    """

    model: PsfModel
    fit: PsfSolution | None
    solution: StripSolution | None
    widths: NDArray[np.float64]
    drift: SeeingDrift | None
    problems: tuple[str, ...]

    @property
    def widest(self) -> float:
        """Largest of the widths, px."""
        return float(self.widths.max())


@dataclass(frozen=True)
class _Stars:
    """Stamps of the stars that set the point spread."""

    line: NDArray[np.float64]
    column: NDArray[np.float64]
    flux: NDArray[np.float64]
    flux_err: NDArray[np.float64]
    stamps: NDArray[np.float32]
    variances: NDArray[np.float32]

    def brightest(self, most: int, *, n_stage: int) -> NDArray[np.int64]:
        """About so many of the brightest of each quarter of ``n_stage`` lines, in their order."""
        if self.flux.size <= most:
            return np.arange(self.flux.size)
        rank, n_bins = rank_stars(self.line, self.flux, n_stage=n_stage)
        return np.flatnonzero(rank < max(most // n_bins, 1))

    def take(self, which: NDArray[np.int64]) -> "_Stars":
        """Some of the stars."""
        return _Stars(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def fit(
        self,
        strip: Strip,
        path: PathOf | None,
        options: PsfStarOptions,
        begin: NDArray[np.float64] | None = None,
    ) -> PsfSolution:
        """Fit the point spread with a given path."""
        return fit_psf_model(
            self.stamps, self.variances, self.line, self.column, path,
            n_lines=strip.n_lines, n_columns=strip.n_columns, n_stage=strip.n_stage,
            options=options, begin=begin,
        )  # fmt: skip


def _gather_stars(strip: Strip, options: StageOptions, finds: list[BlockFind]) -> _Stars:
    """Choose stars among all blocks' and join their stamps."""
    found = join_detections(finds)
    n_before = np.cumsum([0, *(len(f.detections) for f in finds)])[:-1]
    cut: NDArray[np.intp] = np.concatenate(
        [f.stars + n for f, n in zip(finds, n_before, strict=True)]
    ).astype(np.intp)
    thinned = replace(
        options.psf_stars,
        stars_per_bin=options.psf_stars.stars_of_bin(strip.n_lines, strip.n_stage),
    )
    chosen = select_psf_stars(
        found.line, found.column, found.flux, found.flux_err, found.flags,
        n_stage=strip.n_stage, options=thinned,
    )  # fmt: skip
    # Stars that are not among the stamps lie too close to an edge of the chip.
    place = {int(c): i for i, c in enumerate(cut)}
    rows = np.array([place[int(c)] for c in chosen if int(c) in place], dtype=np.intp)
    stars = cut[rows]
    return _Stars(
        line=found.line[stars], column=found.column[stars], flux=found.flux[stars],
        flux_err=found.flux_err[stars],
        stamps=np.concatenate([f.stamps for f in finds])[rows],
        variances=np.concatenate([f.variances for f in finds])[rows],
    )  # fmt: skip


def _refine(
    strip: Strip,
    options: StageOptions,
    solution: StripSolution,
    all_stars: _Stars,
    references: References,
) -> tuple[StripSolution, NDArray[np.float64] | None, tuple[str, ...]]:
    """Solve point spread and geometry in turn until the path stands still.

    Returns the geometry, what the fits of the stars may begin with (`fit_psf_model`), problems.
    """
    some = all_stars.brightest(_MOST_STARS, n_stage=strip.n_stage)
    stars = all_stars.take(some)
    begin: NDArray[np.float64] | None = None
    plain = replace(
        options.psf_stars,
        beta=options.psf_stars.beta or options.psf_stars.default_beta,
        min_stars=stars.line.size + 1,  # no exponent, no optics: positions are all that counts
    )
    near = replace(
        options.astrometry,
        # The first geometry is good to a pixel or so: nothing far off needs to be searched again.
        match=replace(
            options.astrometry.match,
            clock_range_s=2.0, pointing_range_arcmin=0.5, rotation_range_deg=0.1,
            known=True,
        ),
        max_stars=_MOST_STARS,
    )  # fmt: skip
    problems: tuple[str, ...] = ()
    tried = solution
    for _ in range(_ROUNDS):
        try:
            fit = stars.fit(strip, PathOf(tried), plain, begin)
            begin = fit.parameters
            use = np.flatnonzero(fit.used)
            with np.errstate(invalid="ignore", divide="ignore"):
                error = np.median(fit.fwhm[use]) * stars.flux_err[use] / stars.flux[use]
            error = np.hypot(0.01, error)
            solution = fit_solution(
                tried,
                StarList(fit.line[use], fit.column[use], error, error, stars.flux[use]),
                references, options=near,
            ).solution  # fmt: skip
        except SolutionError as failure:
            problems = (f"the first geometry could not be refined: {failure}",)
            break
        change = solution.camera.rotation - tried.camera.rotation
        if abs(change) * strip.n_stage < _STILL:
            break
        # Where the rotation is going: what is left of the error would come back the smaller each
        # time by the same factor.
        turn = float(np.degrees(change)) * _RETURN / (1.0 - _RETURN)
        tried = solution.with_parameters(rotation_deg=solution.parameters["rotation_deg"] + turn)
    start = None
    if begin is not None:
        start = np.full((all_stars.line.size, begin.shape[1]), np.nan)
        start[some] = begin
    return solution, start, problems


def fit_point_spread(
    options: StageOptions, look: FirstLook, references: References | None, finds: list[BlockFind]
) -> Spread:
    """Fit seeing, exponent and optics; fall back to the first look where no star will do.

    Parameters
    ----------
    options : StageOptions
        Tuning.
    look : FirstLook
        First geometry and point spread.
    references : References or None
        Reference stars at the strip's date.
    finds : list of BlockFind
        Of all blocks, in order of line.

    Returns
    -------
    Spread
    """
    strip = look.context.strip
    stars = _gather_stars(strip, options, finds)
    solution = look.solution
    problems: tuple[str, ...] = ()
    begin: NDArray[np.float64] | None = None
    if solution is not None and references is not None and stars.line.size:
        solution, begin, problems = _refine(strip, options, solution, stars, references)
    path = PathOf(solution) if solution is not None else None
    try:
        fit = stars.fit(strip, path, options.psf_stars, begin)
    except SolutionError as error:
        text = f"the point spread is that of the first look: {error}"
        widths = _column_widths(look.psf, strip.n_columns)
        return Spread(look.psf, None, solution, widths, None, (*problems, text))
    widths = _column_widths(fit.model, strip.n_columns)
    drift = None
    if solution is not None:
        drift = tabulate_seeing_drift(
            fit.model, solution, n_columns=strip.n_columns,
            options=options.psf_fit(float(widths.max())),
            radii=options.psf_radii(widths),
        )  # fmt: skip
    return Spread(fit.model, fit, solution, widths, drift, (*problems, *fit.problems))
