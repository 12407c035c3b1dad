"""Options of the few stages that a quick look needs: those of all load three dozen modules more."""

from dataclasses import dataclass

from pipeline.config import Config
from pipeline.geometry.fit import FitOptions
from pipeline.geometry.match import MatchOptions
from pipeline.stages.colstats import SummaryOptions
from pipeline.stages.zeropoint import ZeroPointOptions

__all__ = ["LookOptions", "make_look_options"]


@dataclass(frozen=True)
class LookOptions:
    """Options of summaries, zero point and geometry."""

    summary: SummaryOptions
    zero_point: ZeroPointOptions
    astrometry: FitOptions


def make_look_options(config: Config) -> LookOptions:
    """These options from a configuration.

    Parameters
    ----------
    config : Config

    Returns
    -------
    LookOptions
    """
    c, p, a = config.calibration, config.photometry, config.astrometry
    return LookOptions(
        summary=SummaryOptions(clip=c.clip),
        zero_point=ZeroPointOptions(
            knots_per_stage=1.0 / p.zero_point_knot, cloud_extinction=p.cloud_extinction
        ),
        astrometry=FitOptions(
            match=MatchOptions(
                clock_range_s=a.search_clock, pointing_range_arcmin=a.search_pointing
            ),
            fit_distortion=a.fit_distortion,
            fit_wander=a.fit_wander,
        ),
    )
