"""Aperture fluxes: a circle, and an ellipse scaled with the light's first-moment radius.

The first-moment radius ``r1 = sum(r I) / sum(I)`` sets an aperture that holds nearly the same
fraction of the light of faint and bright, large and small sources (Kron 1980, ApJS 43, 305).
"""

from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import ArrayLike, NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.flags import SourceFlag
from pipeline.stages.cutouts import Cutouts, stack_cutouts

__all__ = [
    "ApertureFlux",
    "TotalFlux",
    "TotalOptions",
    "light_share",
    "measure_aperture",
    "measure_total",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ApertureFlux:
    """Flux within a circle.

    Attributes
    ----------
    flux, flux_err : ndarray of shape (n,)
        Electrons.
    lost_fraction : ndarray
        Part of the aperture's area on bad pixels, which were filled with the model.
    flags : ndarray of int32
        APERTURE_INCOMPLETE where `lost_fraction` is above zero.
    """

    flux: FloatArray
    flux_err: FloatArray
    lost_fraction: FloatArray
    flags: NDArray[np.int32]


@dataclass(frozen=True)
class TotalOptions:
    """Tuning of the total flux.

    Attributes
    ----------
    factor : float
        Semi-axes of the aperture in first-moment radii.
    extent : float
        The first moment is taken within this many standard deviations of the light.
    min_radius_fwhm : float
        Least semi-axis in FWHM of the point spread.
    min_snr : float
        Below this signal-to-noise in the least aperture, that aperture is the result: the
        first moment is noise.
    """

    factor: float = 2.5
    extent: float = 6.0
    min_radius_fwhm: float = 1.75
    min_snr: float = 8.0

    def __post_init__(self) -> None:
        """Check the values."""
        for name in ("factor", "extent", "min_radius_fwhm", "min_snr"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name}: must be positive, got {getattr(self, name)}")


@dataclass(frozen=True)
class TotalFlux:
    """Flux within the first-moment ellipse.

    Attributes
    ----------
    flux, flux_err : ndarray of shape (n,)
        Electrons.
    first_moment_radius : ndarray
        Geometric mean over the two axes, px; NaN where it could not be measured.
    semi_major, semi_minor : ndarray
        Of the aperture used, px.
    position_angle : ndarray
        From the line axis towards the column axis, degrees, [0, 180).
    flags : ndarray of int32
        APERTURE_INCOMPLETE where the ellipse holds bad pixels or was cut to fit the cutout.
    limited : ndarray of bool
        The cutout was too narrow for the ellipse or for the light that the first moment wants: in a
        wider one the result may differ.
    """

    flux: FloatArray
    flux_err: FloatArray
    first_moment_radius: FloatArray
    semi_major: FloatArray
    semi_minor: FloatArray
    position_angle: FloatArray
    flags: NDArray[np.int32]
    limited: NDArray[np.bool_]


def measure_aperture(cutouts: Cutouts, *, radius: float) -> ApertureFlux:
    """Flux in a circle, pixels at its rim weighted with their exact overlap.

    Parameters
    ----------
    cutouts : Cutouts
    radius : float
        px; with the sub-pixel position it must stay inside the cutout.

    Returns
    -------
    ApertureFlux
        The error holds the background variance and the photon noise of the positive flux.

    Raises
    ------
    ValueError
        The radius is not positive or larger than the cutouts allow.
    """
    if not 0 < radius <= cutouts.half_size - 0.5:
        raise ValueError(
            f"radius: must be above 0 and at most {cutouts.half_size - 0.5} px, got {radius}"
        )
    if len(cutouts) == 0:
        none = np.empty(0)
        return ApertureFlux(none, none, none, np.empty(0, dtype=np.int32))
    x, y = cutouts.column, cutouts.row
    flux, noise, _ = sep.sum_circle(cutouts.image, x, y, radius, var=cutouts.variance, subpix=0)
    lost = np.zeros(len(cutouts))
    bad = np.flatnonzero(_have_lost(cutouts))
    if bad.size:
        lost[bad], _, _ = sep.sum_circle(cutouts.lost, x[bad], y[bad], radius, subpix=0)
    return ApertureFlux(
        flux=np.asarray(flux, dtype=float),
        flux_err=np.sqrt(noise**2 + cutouts.photon * np.maximum(flux, 0.0)),
        lost_fraction=lost / (np.pi * radius**2),
        flags=np.where(lost > 0, int(SourceFlag.APERTURE_INCOMPLETE), 0).astype(np.int32),
    )


def measure_total(
    cutouts: Cutouts,
    mom_ll: ArrayLike,
    mom_lc: ArrayLike,
    mom_cc: ArrayLike,
    fwhm: ArrayLike,
    *,
    options: TotalOptions,
) -> TotalFlux:
    """Flux in an ellipse of the source's shape, scaled with its first-moment radius.

    Parameters
    ----------
    cutouts : Cutouts
    mom_ll, mom_lc, mom_cc : array_like of shape (n,)
        Second moments of the light, px^2: shape and rough size. Where they are smaller than the
        point spread, or not finite, a circle of its size is used.
    fwhm : array_like of shape (n,)
        FWHM of the point spread with smear and pixel, px.
    options : TotalOptions

    Returns
    -------
    TotalFlux

    Notes
    -----
    Outside a first-moment radius of an exponential disc 2.5 radii hold 96.0 % of the light, of
    an r^1/4 law 90.4 % (cf. Graham & Driver 2005, PASA 22, 118).
    """
    n = len(cutouts)
    if n == 0:
        none = np.empty(0)
        return TotalFlux(
            none, none, none, none, none, none, np.empty(0, dtype=np.int32), np.empty(0, dtype=bool)
        )
    fwhm = np.broadcast_to(np.asarray(fwhm, dtype=float), (n,))
    a, b, theta = _axes(mom_ll, mom_lc, mom_cc, fwhm / FWHM_PER_SIGMA)
    x, y = cutouts.column, cutouts.row
    room = cutouts.half_size - np.maximum(np.abs(cutouts.d_line), np.abs(cutouts.d_column))
    least = options.min_radius_fwhm * fwhm
    inner = np.minimum(least, room)
    circle, noise, _ = sep.sum_circle(cutouts.image, x, y, inner, var=cutouts.variance, subpix=0)
    circle_err = np.sqrt(noise**2 + cutouts.photon * np.maximum(circle, 0.0))
    extent = np.minimum(options.extent, room / a)
    moment, bad = sep.kron_radius(cutouts.image, x, y, a, b, theta, extent)
    with np.errstate(invalid="ignore", divide="ignore"):
        # A mean radius beyond where it was summed is noise; so is one of negative light.
        bright = circle > options.min_snr * circle_err
        usable = np.isfinite(moment) & (moment > 0) & (moment < extent) & bright
    del bad  # Reports only masked or clipped pixels; there are none inside a cutout.
    radius = np.where(usable, moment * np.sqrt(a * b), np.nan)
    scale = np.where(usable, options.factor * moment, 0.0)
    semi_a = np.maximum(scale * a, least)
    semi_b = np.maximum(scale * b, least)
    cut = semi_a > room
    shrink = np.where(cut, room / semi_a, 1.0)
    semi_a, semi_b = semi_a * shrink, semi_b * shrink
    flux, err = _ellipse_flux(cutouts, semi_a, semi_b, theta)
    incomplete = cut.copy()
    spoiled = np.flatnonzero(_have_lost(cutouts))
    if spoiled.size:
        x, y, a, b, t = (v[spoiled] for v in (x, y, semi_a, semi_b, theta))
        lost, _, _ = sep.sum_ellipse(cutouts.lost, x, y, a, b, t, 1.0, subpix=0)
        incomplete[spoiled] |= lost > 0
    # theta runs from the column axis to the line axis.
    angle = np.mod(90.0 - np.degrees(theta), 180.0)
    return TotalFlux(
        flux=flux,
        flux_err=err,
        first_moment_radius=radius,
        semi_major=semi_a,
        semi_minor=semi_b,
        position_angle=angle,
        flags=np.where(incomplete, int(SourceFlag.APERTURE_INCOMPLETE), 0).astype(np.int32),
        limited=cut | (least > room) | (bright & (extent < options.extent)),
    )


def light_share(
    stars: ArrayLike, semi_major: ArrayLike, semi_minor: ArrayLike, position_angle: ArrayLike
) -> FloatArray:
    """Share of stars' light within ellipses about their middles.

    Parameters
    ----------
    stars : array_like of shape (n, size, size), size odd
        Images of unit flux, centred on their central pixels; what lies beyond them is left out.
    semi_major, semi_minor : array_like of shape (n,)
        px; cut to what the images hold.
    position_angle : array_like of shape (n,)
        Degrees from the line axis towards the column axis.

    Returns
    -------
    ndarray of shape (n,)
        At most 1.
    """
    images = np.asarray(stars, dtype=np.float32)
    if len(images) == 0:
        return np.empty(0)
    cutouts = stack_cutouts(images, 0.0, d_line=0.0, d_column=0.0)
    a, b, angle = (
        np.broadcast_to(np.asarray(v, dtype=float), (len(images),))
        for v in (semi_major, semi_minor, position_angle)
    )
    theta = np.clip(np.radians(90.0 - np.mod(angle, 180.0)), -np.pi / 2, np.pi / 2)
    room = cutouts.half_size - 0.5
    a, b = np.minimum(a, room), np.minimum(b, room)
    inside, _, _ = sep.sum_ellipse(
        cutouts.image, cutouts.column, cutouts.row, a, b, theta, 1.0, subpix=0
    )
    # Stars lie anywhere within a pixel, but the share of light changes little with it.
    return np.minimum(inside, 1.0)


def _axes(
    mom_ll: ArrayLike, mom_lc: ArrayLike, mom_cc: ArrayLike, least: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Semi-axes (standard deviations, px) and angle from the column axis, radians."""
    ll, lc, cc = (np.asarray(m, dtype=float) for m in (mom_ll, mom_lc, mom_cc))
    good = np.isfinite(ll) & np.isfinite(lc) & np.isfinite(cc)
    ll, lc, cc = (np.where(good, m, 0.0) for m in (ll, lc, cc))
    mean, half = 0.5 * (ll + cc), np.hypot(0.5 * (cc - ll), lc)
    a = np.sqrt(np.maximum(mean + half, least**2))
    b = np.sqrt(np.maximum(mean - half, least**2))
    theta = 0.5 * np.arctan2(2 * lc, cc - ll)
    return a, np.minimum(a, b), np.clip(theta, -np.pi / 2, np.pi / 2)


def _ellipse_flux(
    cutouts: Cutouts, a: FloatArray, b: FloatArray, theta: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    x, y = cutouts.column, cutouts.row
    flux, noise, _ = sep.sum_ellipse(
        cutouts.image, x, y, a, b, theta, 1.0, var=cutouts.variance, subpix=0
    )
    return np.asarray(flux, dtype=float), np.sqrt(noise**2 + cutouts.photon * np.maximum(flux, 0.0))


def _have_lost(cutouts: Cutouts) -> NDArray[np.bool_]:
    """Whether cutouts hold bad pixels: most do not, and need no sum over them."""
    return np.asarray(np.any(cutouts.lost.reshape(len(cutouts), -1) > 0, axis=1))
