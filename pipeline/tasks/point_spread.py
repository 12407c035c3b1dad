"""The point spread of a whole strip, from the stars its blocks cut out."""

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SolutionError
from pipeline.stages.detect import Detections
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.psf_solution import PsfSolution, fit_psf_model
from pipeline.stages.psf_stars import select_psf_stars
from pipeline.tasks.first_look import FirstLook, trace
from pipeline.tasks.options import StageOptions
from pipeline.tasks.search import BlockFind

__all__ = ["fit_point_spread", "join_detections"]

_FWHM_OF_SIGMA = 2.3548


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
    from dataclasses import fields

    parts = [f.detections for f in finds]
    return Detections(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Detections)}
    )


def _widest(psf: PsfModel, n_columns: int) -> float:
    """Widest total FWHM of the strip, px: the worst seeing, the most smeared column."""
    ll, _, cc = psf.second_moments(np.arange(0, n_columns, 16, dtype=float))
    seeing = float(psf.fwhm_values.max()) / _FWHM_OF_SIGMA
    return float(_FWHM_OF_SIGMA * np.sqrt(seeing**2 + np.maximum(ll, cc).max()))


def fit_point_spread(
    options: StageOptions, look: FirstLook, finds: list[BlockFind]
) -> tuple[PsfModel, PsfSolution | None, float, tuple[str, ...]]:
    """Fit seeing, exponent and optics; fall back to the first look where no star will do.

    Parameters
    ----------
    options : StageOptions
        Tuning.
    look : FirstLook
        First geometry and point spread.
    finds : list of BlockFind
        Of all blocks, in order of line.

    Returns
    -------
    model : PsfModel
    solution : PsfSolution or None
    widest : float
        Widest total FWHM, px.
    problems : tuple of str
    """
    strip = look.context.strip
    found = join_detections(finds)
    n_before = np.cumsum([0, *(len(f.detections) for f in finds)])[:-1]
    cut: NDArray[np.intp] = np.concatenate(
        [f.stars + n for f, n in zip(finds, n_before, strict=True)]
    ).astype(np.intp)
    stamps = np.concatenate([f.stamps for f in finds])
    variances = np.concatenate([f.variances for f in finds])
    chosen = select_psf_stars(
        found.line, found.column, found.flux, found.flux_err, found.flags,
        n_stage=strip.n_stage, options=options.psf_stars,
    )  # fmt: skip
    # Stars that are not among the stamps lie too close to an edge of the chip.
    place = {int(c): i for i, c in enumerate(cut)}
    rows = np.array([place[int(c)] for c in chosen if int(c) in place], dtype=np.intp)
    stars = cut[rows]
    path = trace(look.solution) if look.solution is not None else None
    try:
        solution = fit_psf_model(
            stamps[rows], variances[rows], found.line[stars], found.column[stars], path,
            n_lines=strip.n_lines, n_columns=strip.n_columns, n_stage=strip.n_stage,
            options=options.psf_stars,
        )  # fmt: skip
    except SolutionError as error:
        text = f"the point spread is that of the first look: {error}"
        return look.psf, None, _widest(look.psf, strip.n_columns), (text,)
    return (
        solution.model, solution, _widest(solution.model, strip.n_columns), solution.problems,
    )  # fmt: skip
