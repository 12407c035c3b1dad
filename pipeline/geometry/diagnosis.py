"""What may be wrong with a first guess whose stars match nothing, each with what would be right."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import MirrorError, SolutionError
from pipeline.geometry.camera import ARCSEC_PER_RADIAN
from pipeline.geometry.match import Detections, MatchOptions, References, match_stars
from pipeline.geometry.solution import StripSolution

__all__ = ["DOUBTFUL_PERIOD", "PeriodDoubt", "SignDoubt", "doubt_line_period", "doubt_sign"]

DOUBTFUL_PERIOD = 0.01
"""Relative mismatch of the line period: over a thousand rows stars smear by ten pixels."""

_CROWDED = 10  # times as many reference stars on the other side of the equator


@dataclass(frozen=True)
class PeriodDoubt:
    """A line period and a declination that cannot both be right.

    Attributes
    ----------
    line_period, fitting_period : float
        As given, and as the drift at the declination asks for, seconds.
    declination_deg : float
        As given.
    fitting_declinations_deg : tuple of float
        Where the drift fits the line period; none where no declination does.
    pixel_scale, fitting_scale : float
        As given, and as line period and declination together ask for, arcsec.
    """

    line_period: float
    fitting_period: float
    declination_deg: float
    fitting_declinations_deg: tuple[float, ...]
    pixel_scale: float
    fitting_scale: float

    @property
    def excess(self) -> float:
        """Line period over the fitting one, less 1."""
        return self.line_period / self.fitting_period - 1.0


@dataclass(frozen=True)
class SignDoubt:
    """Reference stars lie about the declination of the opposite sign.

    Attributes
    ----------
    n_here, n_there : int
        Reference stars in the band of the strip, and in the band of the opposite declination.
    matched : {"latitude", "catalogue", ""}
        What has to change its sign for the stars to match; empty where neither helps.
    """

    n_here: int
    n_there: int
    matched: str


def doubt_line_period(guess: StripSolution, *, limit: float) -> PeriodDoubt | None:
    """Compare the line period with the drift of the stars.

    Stars at declination d drift by ``rate cos(d)``; a line must take as long as they need for one
    pixel.

    Parameters
    ----------
    guess : StripSolution
        As configured and as the headers say.
    limit : float
        Relative mismatch that is still believed.

    Returns
    -------
    PeriodDoubt or None
        None where they fit.
    """
    scale, period = guess.camera.pixel_scale, guess.line_period
    declination = guess.axis_declination_deg
    drift = guess.rate * ARCSEC_PER_RADIAN  # arcsec/s at the equator
    fitting = scale / (drift * float(np.cos(np.radians(declination))))
    if abs(period / fitting - 1.0) <= limit:
        return None
    cosine = scale / (drift * period)
    places: tuple[float, ...] = ()
    if cosine <= 1.0:
        angle = float(np.degrees(np.arccos(cosine)))
        places = (angle, -angle) if declination >= 0 else (-angle, angle)
    return PeriodDoubt(period, fitting, declination, places, scale, scale * period / fitting)


def doubt_sign(
    guess: StripSolution,
    detections: Detections,
    references: References,
    *,
    options: MatchOptions,
) -> SignDoubt | None:
    """Look on the other side of the equator for what a strip did not find on its own.

    Parameters
    ----------
    guess : StripSolution
        That matched nothing.
    detections : Detections
    references : References
    options : MatchOptions

    Returns
    -------
    SignDoubt or None
        None where nothing speaks for a wrong sign.
    """
    camera = guess.camera
    half = 0.5 * camera.n_columns * camera.pixel_scale / 3600.0
    half += options.pointing_range_arcmin / 60.0
    declination = guess.axis_declination_deg
    if abs(declination) <= half:
        return None  # both bands are the same
    n_here = int(np.count_nonzero(np.abs(references.dec_deg - declination) < half))
    n_there = int(np.count_nonzero(np.abs(references.dec_deg + declination) < half))
    if n_there == 0:
        return None
    turned = replace(guess, latitude_deg=-guess.latitude_deg, axis_declination_deg=-declination)
    mirrored = replace(references, dec_deg=-references.dec_deg)
    for name, trial, stars in (
        ("latitude", turned, references),
        ("catalogue", guess, mirrored),
    ):
        try:
            match_stars(trial, detections, stars, options=options)
        except MirrorError:
            # Right stars: that the columns run the other way is the second thing to put right.
            return SignDoubt(n_here, n_there, name)
        except SolutionError:
            continue
        return SignDoubt(n_here, n_there, name)
    crowded = n_there >= _CROWDED * max(n_here, 1)
    return SignDoubt(n_here, n_there, "") if crowded else None
