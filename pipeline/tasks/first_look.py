"""From summaries to a strip's context: first geometry, first point spread, sky."""

from dataclasses import dataclass

import numpy as np

from pipeline.config import Config
from pipeline.constants import FWHM_PER_SIGMA
from pipeline.errors import DriftloomError
from pipeline.geometry.fit import fit_solution
from pipeline.geometry.match import Detections, References
from pipeline.geometry.solution import StripSolution
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.psf_model import PsfModel, make_psf_model, place_nodes
from pipeline.stages.quick import BrightStars
from pipeline.stages.sky import fit_sky
from pipeline.strip import Strip
from pipeline.tasks.context import StripContext
from pipeline.tasks.explain import file_edges
from pipeline.tasks.first_guess import PathOf, first_widths, guess_solution
from pipeline.tasks.night import NightVectors
from pipeline.tasks.options import StageOptions

__all__ = ["FirstLook", "look_at_strip"]

_PIXEL = 1.0 / 12.0  # variance of a one-pixel box, px^2
_FIRST_BETA = 3.0  # exponent of the first point spread; the fit finds its own


@dataclass(frozen=True)
class FirstLook:
    """What is known of a strip before its pixels are searched.

    Parameters
    ----------
    context : StripContext
        Calibrations.
    solution : StripSolution or None
        Geometry from bright stars; None where no star could be matched.
    psf : PsfModel
        From bright stars' widths.
    fwhm : float
        Typical total width of stars, px.
    problems : tuple of str
        What the reader should know.
    """

    context: StripContext
    solution: StripSolution | None
    psf: PsfModel
    fwhm: float
    problems: tuple[str, ...]


def look_at_strip(
    config: Config,
    options: StageOptions,
    strip: Strip,
    read: tuple[ColumnSummary, BrightStars],
    vectors: NightVectors,
    references: References | None,
) -> FirstLook:
    """Prepare everything that the search of a strip needs.

    Parameters
    ----------
    config : Config
        The observatory.
    options : StageOptions
        Tuning.
    strip : Strip
        A science strip.
    read : (ColumnSummary, BrightStars)
        Column summary of the whole strip, settled, and its bright stars.
    vectors : NightVectors
        Calibrations of its night.
    references : References or None
        Reference stars at its date.

    Returns
    -------
    FirstLook

    Raises
    ------
    CalibrationError
        If the sky cannot be modelled.
    """
    summary, stars = read
    problems: list[str] = []
    guess = guess_solution(config, strip)
    solution = None
    if references is not None:
        error = 0.3 * np.ones(len(stars))  # unflattened pixels: a third of a pixel is safe
        detections = Detections(stars.line, stars.column, error, error, stars.flux)
        try:
            solution = fit_solution(
                guess, detections, references, options=options.astrometry,
                nominal_pixel_scale=config.camera.pixel_scale, file_edges=file_edges(strip),
            ).solution  # fmt: skip
        except DriftloomError as failure:
            problems.append(f"no geometry from bright stars: {failure}")
    best = solution or guess
    lines, widths, sharpest = first_widths(stars, best, strip)
    path = PathOf(best)
    nodes = place_nodes(strip.n_columns, path=path)
    psf = make_psf_model(
        lines, widths, nodes, beta=_FIRST_BETA, path=path, optics=None,
        half_size=options.psf_stars.half_size,
    )  # fmt: skip
    columns = np.arange(strip.n_columns, dtype=float)
    ll, _, cc = best.smear(columns, boxcar=True)
    context = StripContext(
        strip=strip, raw=config.raw, options=options, dark=vectors.dark,
        response=vectors.response, column_mask=vectors.column_mask, overscan=summary.overscan,
        read_noise=vectors.read_noise,
        sky=fit_sky(
            summary, vectors.dark, vectors.response, vectors.column_mask,
            line_period=strip.line_period, n_stage=strip.n_stage, options=options.sky,
        ),
        # Smear makes a plateau: it widens a star, but its shoulders fall as steeply as seeing,
        # clocking and pixel let them, and that is what tells a star from a cosmic ray.
        sharpest_line=np.full(strip.n_columns, np.sqrt(sharpest + 2 * _PIXEL)),
        sharpest_column=np.full(strip.n_columns, np.sqrt(sharpest + _PIXEL)),
    )  # fmt: skip
    total = float(np.median(widths)) ** 2 / FWHM_PER_SIGMA**2 + _PIXEL
    fwhm = FWHM_PER_SIGMA * float(np.sqrt(total + 0.5 * (np.median(ll) + np.median(cc))))
    return FirstLook(context, solution, psf, fwhm, tuple(problems))
