"""Why a strip's stars match nothing: the key, and the value that would be right."""

from collections.abc import Sequence

import numpy as np

from pipeline.config import Config
from pipeline.errors import DriftloomError, MirrorError, SolutionError
from pipeline.geometry.diagnosis import (
    DOUBTFUL_PERIOD,
    PeriodDoubt,
    SignDoubt,
    doubt_line_period,
    doubt_sign,
)
from pipeline.geometry.match import Detections, MatchOptions, References
from pipeline.geometry.solution import StripSolution
from pipeline.strip import Strip

__all__ = ["check_line_period", "explain_failure", "file_edges"]


def file_edges(strip: Strip) -> tuple[int, ...]:
    """First lines of a strip's files, and its end: what is stored backwards is so file by file."""
    return (*(s.first_line for s in strip.segments), strip.n_lines)


def _axis_key(config: Config) -> str:
    given = config.pointing.declination is not None
    return "pointing.declination" if given else "observatory.latitude"


def _period_key(config: Config) -> str:
    keyword = config.raw.keywords.line_period
    if keyword is None:
        return "raw.constants.line_period"
    return f"header keyword {keyword} (raw.keywords.line_period)"


def _tell_period(config: Config, doubt: PeriodDoubt) -> str:
    key = _axis_key(config)
    word = "latitude" if key == "observatory.latitude" else "declination"
    places = " or ".join(f"{d:+.2f}" for d in doubt.fitting_declinations_deg)
    fits = f"fits a {word} of {places} deg" if places else f"fits no {word} at all"
    return (
        f"a line period of {doubt.line_period:.7g} s and {key} = {doubt.declination_deg:g} cannot "
        f"both be right with pixels of {doubt.pixel_scale:g} arcsec: at that {word} the sky drifts "
        f"one pixel in {doubt.fitting_period:.7g} s ({100 * doubt.excess:+.1f} % off); "
        f"{doubt.line_period:.7g} s {fits}, or pixels of {doubt.fitting_scale:.4g} arcsec. Correct "
        f"{_period_key(config)}, {key} or camera.pixel_scale"
    )


def check_line_period(config: Config, strip: Strip) -> str:
    """Complaint about a line period that does not fit the drift of the sky; no pixel is read.

    Parameters
    ----------
    config : Config
        The observatory.
    strip : Strip
        As its headers describe it.

    Returns
    -------
    str
        Empty where there is nothing to say, or the shutter was closed.
    """
    from pipeline.tasks.first_guess import guess_solution

    if not strip.shutter_open:
        return ""
    doubt = doubt_line_period(guess_solution(config, strip), limit=DOUBTFUL_PERIOD)
    return _tell_period(config, doubt) if doubt else ""


def _tell_sign(config: Config, guess: StripSolution, doubt: SignDoubt) -> str:
    key, value = _axis_key(config), guess.axis_declination_deg
    counts = (
        f"{doubt.n_here} reference stars lie in the band about {value:+.2f} deg, {doubt.n_there} "
        f"in that about {-value:+.2f} deg"
    )
    if doubt.matched == "latitude":
        return f"{counts}, and there the stars match: the sign is wrong, set {key} = {-value:g}"
    if doubt.matched == "catalogue":
        return (
            f"{counts}, and with declinations of the opposite sign the stars match: the reference "
            f"catalogue's column {config.reference.columns.dec} (reference.columns.dec) has the "
            "wrong sign"
        )
    return (
        f"{counts}: the catalogue is of the other hemisphere, or the sign is wrong: try "
        f"{key} = {-value:g}, or give a reference.path that covers {value:+.2f} deg"
    )


def _tell_mirror(config: Config, error: MirrorError) -> str:
    parts = []
    if error.columns:
        parts.append(f"camera.column_sign = {-config.camera.column_sign}")
    if error.lines:
        parts.append(f"raw.flip_lines = {str(not config.raw.flip_lines).lower()}")
    return f"set {' and '.join(parts)}"


def explain_failure(
    config: Config,
    guess: StripSolution,
    detections: Detections,
    references: References,
    error: DriftloomError,
    *,
    options: MatchOptions,
) -> str:
    """The message of a failed match with its likely cause.

    Parameters
    ----------
    config : Config
        The observatory.
    guess : StripSolution
        As configured.
    detections, references : Detections, References
        What did not match.
    error : DriftloomError
        What the match said.
    options : MatchOptions
        Of the match.

    Returns
    -------
    str
    """
    causes: list[str] = []
    if isinstance(error, MirrorError):
        causes.append(_tell_mirror(config, error))
    elif isinstance(error, SolutionError):
        # A smaller mismatch than is doubted at sight may still be more than the search allows.
        doubt = doubt_line_period(guess, limit=min(2 * options.scale_range, DOUBTFUL_PERIOD))
        if doubt:
            causes.append(_tell_period(config, doubt))
        enough = np.count_nonzero(np.isfinite(detections.line)) >= 4
        sign = doubt_sign(guess, detections, references, options=options) if enough else None
        if sign:
            causes.append(_tell_sign(config, guess, sign))
    return _join(str(error), causes)


def _join(message: str, causes: Sequence[str]) -> str:
    if not causes:
        return message
    return f"{message}. Likely cause: {'; or '.join(causes)}"
