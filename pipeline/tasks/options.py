"""The configuration's words turned into the options of the stages, in one place."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.geometry.fit import FitOptions
from pipeline.stages.apertures import TotalOptions
from pipeline.stages.colmask import ColumnMaskOptions
from pipeline.stages.colstats import SummaryOptions
from pipeline.stages.cosmic import CosmicOptions
from pipeline.stages.dark import DarkOptions
from pipeline.stages.detect import DetectOptions
from pipeline.stages.psf_fit import PsfFitOptions
from pipeline.stages.psf_stars import PsfStarOptions
from pipeline.stages.resample import ResampleOptions
from pipeline.stages.response import ResponseOptions
from pipeline.stages.saturation import SaturationOptions
from pipeline.stages.sky import SkyOptions
from pipeline.stages.stack import StackOptions
from pipeline.stages.trails import TrailOptions
from pipeline.stages.transfer import TransferOptions
from pipeline.stages.zeropoint import ZeroPointOptions
from pipeline.tasks.look_options import make_look_options

__all__ = ["StageOptions", "make_options"]


@dataclass(frozen=True)
class StageOptions:
    """Options of every stage."""

    summary: SummaryOptions
    dark: DarkOptions
    response: ResponseOptions
    transfer: TransferOptions
    column_mask: ColumnMaskOptions
    sky: SkyOptions
    saturation: SaturationOptions
    cosmic: CosmicOptions
    trails: TrailOptions
    detect: DetectOptions
    psf_stars: PsfStarOptions
    total: TotalOptions
    zero_point: ZeroPointOptions
    resample: ResampleOptions
    stack: StackOptions
    astrometry: FitOptions
    aperture_radius: float
    psf_radius_fwhm: float

    def psf_fit(self, widest_fwhm: float) -> PsfFitOptions:
        """Options of the point-spread fit for a strip whose widest point spread is given [px]."""
        return PsfFitOptions(radius=float(self.psf_radii(np.array(widest_fwhm))))

    def psf_radii(self, fwhm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Radius of the point-spread fit where the point spread has a total FWHM; both in px."""
        return np.clip(self.psf_radius_fwhm * fwhm, 5.0, float(self.psf_stars.half_size))


def make_options(config: Config) -> StageOptions:
    """Options of all stages from a configuration.

    Parameters
    ----------
    config : Config

    Returns
    -------
    StageOptions
    """
    c, d, p = config.calibration, config.detection, config.photometry
    look = make_look_options(config)
    return StageOptions(
        summary=look.summary,
        dark=DarkOptions(),
        response=ResponseOptions(dead=c.dead_response),
        transfer=TransferOptions(),
        column_mask=ColumnMaskOptions(
            dead_response=c.dead_response, hot_signal=c.hot_signal, noise_ratio=c.noise_ratio
        ),
        sky=SkyOptions(cell_columns=d.sky_columns),
        saturation=SaturationOptions(),
        cosmic=CosmicOptions(threshold=c.cosmic_threshold, margin=c.cosmic_margin),
        trails=TrailOptions(),
        detect=DetectOptions(
            threshold=d.threshold, prominence=d.deblend_prominence, contrast=d.deblend_contrast
        ),
        psf_stars=PsfStarOptions(min_snr=p.psf_min_snr, beta=p.psf_beta),
        total=TotalOptions(factor=p.total_factor),
        zero_point=look.zero_point,
        resample=ResampleOptions(),
        stack=StackOptions(clip=config.stack.clip, clip_epochs=config.stack.clip_epochs),
        astrometry=look.astrometry,
        aperture_radius=p.aperture_radius / config.camera.pixel_scale,
        psf_radius_fwhm=p.psf_radius_fwhm,
    )
