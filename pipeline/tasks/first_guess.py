"""Geometry and seeing before any fit, and what a fit starts from."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.constants import FWHM_PER_SIGMA
from pipeline.geometry.apparent import apply_proper_motion
from pipeline.geometry.camera import Camera
from pipeline.geometry.match import References
from pipeline.geometry.solution import StripSolution
from pipeline.io.reference import ReferenceCatalogue
from pipeline.stages.quick import BrightStars
from pipeline.strip import Strip

__all__ = ["PATH_NODES", "PathOf", "first_widths", "guess_solution", "refer_to"]

PATH_NODES = 24  # Gauss-Legendre nodes of a path: exact far beyond what pixels show
_PIXEL = 1.0 / 12.0  # variance of a one-pixel box, px^2
_FEWEST = 8  # bright stars that give a width


def guess_solution(config: Config, strip: Strip) -> StripSolution:
    """Geometry as configured, before any star.

    Parameters
    ----------
    config : Config
        The observatory.
    strip : Strip
        The strip.

    Returns
    -------
    StripSolution
    """
    camera = Camera.from_arcsec(
        pixel_scale=config.camera.pixel_scale,
        n_columns=config.camera.columns,
        n_stage=config.camera.n_stage,
        rotation_deg=config.camera.rotation,
        column_sign=config.camera.column_sign,
        optical_centre=config.camera.centre,
        radial=config.camera.radial_distortion,
    )
    return StripSolution.first_guess(
        latitude_deg=config.observatory.latitude,
        longitude_deg=config.observatory.longitude,
        height_m=config.observatory.height,
        axis_declination_deg=config.axis_declination,
        axis_hour_angle_deg=config.pointing.hour_angle,
        camera=camera,
        line_period=strip.line_period,
        mjd_start=strip.mjd_start,
        n_lines=strip.n_lines,
    )


def refer_to(catalogue: ReferenceCatalogue, strip: Strip, *, epoch: float) -> References:
    """Reference stars at the strip's date.

    Parameters
    ----------
    catalogue : ReferenceCatalogue
        At its own epoch.
    strip : Strip
        Gives the date.
    epoch : float
        Julian year of the catalogue's positions.

    Returns
    -------
    match.References
        One for each row of the catalogue, in its order.
    """
    ra, dec = apply_proper_motion(
        catalogue.ra, catalogue.dec, catalogue.pm_ra, catalogue.pm_dec,
        epoch=epoch, mjd=0.5 * (strip.mjd_start + strip.mjd_stop),
    )  # fmt: skip
    return References(ra, dec, catalogue.ra_err, catalogue.dec_err, catalogue.mag)


@dataclass(frozen=True)
class PathOf:
    """Paths of stars by column; a class, so that it can be sent to a worker."""

    solution: StripSolution

    def __call__(
        self, columns: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Offsets along line and column, and weights, each of shape (n, nodes)."""
        dl, dc, w = self.solution.path(columns, PATH_NODES)
        return dl, dc, np.broadcast_to(w, dl.shape).copy()


def first_widths(
    stars: BrightStars, solution: StripSolution, strip: Strip
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Seeing along a strip from bright stars.

    The smaller of both axes' variances, less what smear, clocking and pixel add, is the seeing.

    Parameters
    ----------
    stars : BrightStars
        Of the strip.
    solution : StripSolution
        Tells the smear.
    strip : Strip
        Its lines are binned by half of those that integrate.

    Returns
    -------
    centres, widths : ndarray of shape (n_bins,)
        Lines, and FWHM in px.
    sharpest : float
        Variance of the sharpest stars' seeing, px^2.
    """
    ll, _, cc = solution.smear(stars.column, boxcar=True)
    seeing = np.minimum(stars.var_ll - ll, stars.var_cc - cc) - _PIXEL
    middle = float(np.median(seeing)) if len(stars) else np.nan
    if not np.isfinite(middle) or middle <= 0.05:
        return np.array([0.0]), np.array([2.5]), 0.5
    step = max(strip.n_stage // 2, 256)
    edges = np.arange(0, strip.n_lines + step, step)
    centres, widths = [], []
    for low, high in pairwise(edges):
        inside = seeing[(stars.line >= low) & (stars.line < high)]
        if inside.size >= _FEWEST:
            # Seeing does not change by more than this within a strip; a bin of few stars may.
            value = float(np.clip(np.median(inside), 0.3 * middle, 3.0 * middle))
            centres.append(0.5 * (low + high))
            widths.append(FWHM_PER_SIGMA * np.sqrt(value))
    if not centres:
        return np.array([0.0]), np.array([FWHM_PER_SIGMA * np.sqrt(middle)]), 0.7 * middle
    # What smear is not yet modelled (camera rotation) only widens stars: the sharpest stay sharp.
    sharpest = 0.9 * min(float(np.percentile(seeing, 5)), middle)
    return np.array(centres), np.array(widths), max(sharpest, 0.2)
