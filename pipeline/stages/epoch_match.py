"""Residual photometric scales and sky levels between the epochs of a tile."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import sep
from numpy.typing import NDArray

__all__ = ["EpochMatch", "EpochSample", "MatchOptions", "match_epochs", "measure_epoch"]

_MAD = 1.4826  # normal standard deviation over median absolute deviation


@dataclass(frozen=True)
class MatchOptions:
    """Tuning of `match_epochs`.

    Parameters
    ----------
    significance : float
        Scales and offsets below this many standard errors are reported but not applied.
    min_stars : int
        With fewer stars no scale is applied.
    min_snr : float
        Stars below this signal-to-noise in an epoch are not used.
    """

    significance: float = 4.0
    min_stars: int = 8
    min_snr: float = 20.0

    def __post_init__(self) -> None:
        for name in ("significance", "min_stars", "min_snr"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be positive, got {getattr(self, name)}"
                raise ValueError(msg)


class EpochSample(NamedTuple):
    """What one epoch contributes to `match_epochs`: star fluxes and the level of its sky."""

    flux: NDArray[np.float64]
    flux_err: NDArray[np.float64]
    sky: float
    sky_err: float


@dataclass(frozen=True, eq=False)
class EpochMatch:
    """Residual scales and sky levels of the epochs.

    Attributes
    ----------
    scale, offset : ndarray of shape (n_epochs,)
        To apply: ``flux * scale + offset``; exactly 1 and 0 where not significant.
    measured_scale, scale_err, measured_offset, offset_err : ndarray of shape (n_epochs,)
        As measured, relative to the mean of the epochs.
    n_stars : ndarray of shape (n_epochs,), int
        Stars used.
    """

    scale: NDArray[np.float64]
    offset: NDArray[np.float64]
    measured_scale: NDArray[np.float64]
    scale_err: NDArray[np.float64]
    measured_offset: NDArray[np.float64]
    offset_err: NDArray[np.float64]
    n_stars: NDArray[np.int64]


def measure_epoch(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    *,
    radius: float,
) -> EpochSample:
    """Star fluxes and sky of one epoch, for `match_epochs`.

    Parameters
    ----------
    flux, variance : ndarray of shape (ny, nx), float32
        Epoch tile.
    mask : ndarray of shape (ny, nx), uint16
        Nonzero is bad.
    x, y : ndarray of shape (n,)
        Isolated stars, px along the tile's axes 1 and 0.
    radius : float
        Aperture radius, px; three times the worst epoch's FWHM keeps seeing out of the scale.

    Returns
    -------
    EpochSample
        Fluxes are NaN where the aperture holds bad pixels or leaves the tile.
    """
    bad = (mask != 0) | ~np.isfinite(flux) | ~np.isfinite(variance)
    values = flux[~bad].astype(float)
    if values.size == 0:
        nothing = np.full(np.shape(x), np.nan)
        return EpochSample(nothing, nothing.copy(), np.nan, np.nan)
    for _ in range(5):
        middle = np.median(values)
        spread = _MAD * np.median(np.abs(values - middle))
        values = values[np.abs(values - middle) <= 3 * max(spread, 1e-30)]
    sky = float(np.mean(values))
    clean = np.ascontiguousarray(np.where(bad, 0, flux - sky), dtype=np.float32)
    noise = np.ascontiguousarray(np.where(bad, 0, variance), dtype=np.float32)
    total, error, flag = sep.sum_circle(clean, x, y, radius, var=noise, mask=bad, subpix=5)
    whole = (flag & (sep.APER_TRUNC | sep.APER_HASMASKED)) == 0
    # resampled noise is correlated over about two pixels an axis
    sky_err = float(2 * np.std(values) / np.sqrt(values.size))
    return EpochSample(np.where(whole, total, np.nan), np.where(whole, error, np.nan), sky, sky_err)


def match_epochs(samples: Sequence[EpochSample], *, options: MatchOptions) -> EpochMatch:
    """Residual photometric scales and sky offsets between epochs.

    Parameters
    ----------
    samples : sequence of EpochSample
        One per epoch, of the same stars.
    options : MatchOptions
        Tuning.

    Returns
    -------
    EpochMatch
        Relative to the mean over epochs.  Only significant values are to be applied.
    """
    flux = np.array([s.flux for s in samples], dtype=float).reshape(len(samples), -1)
    error = np.array([s.flux_err for s in samples], dtype=float).reshape(flux.shape)
    good = np.isfinite(flux) & (error > 0) & (flux > options.min_snr * error)
    good &= good.sum(axis=0) == good.any(axis=1).sum()  # every epoch that has stars at all
    n_stars = good.sum(axis=1)
    logs = np.log(np.where(good, flux, 1.0))
    scale, scale_err = np.ones(len(samples)), np.full(len(samples), np.inf)
    has = n_stars > 0
    if has.any():
        stars = good[has].all(axis=0)
        part = logs[has][:, stars]
        part = part - part.mean(axis=0)
        middle = np.median(part, axis=1)
        spread = _MAD * np.median(np.abs(part - middle[:, None]), axis=1)
        # 1.2533 = sqrt(pi / 2): standard error of a median over that of a mean
        scale[has] = np.exp(-(middle - middle.mean()))
        scale_err[has] = 1.2533 * spread / np.sqrt(max(int(stars.sum()), 1))
    sky = np.array([s.sky for s in samples], dtype=float)
    sky_err = np.array([s.sky_err for s in samples], dtype=float)
    known = np.isfinite(sky)
    offset = np.where(known, (sky[known].mean() if known.any() else 0.0) - sky, 0.0)
    k = options.significance
    use_scale = (np.abs(scale - 1) > k * scale_err) & (n_stars >= options.min_stars)
    use_offset = known & (np.abs(offset) > k * np.where(known, sky_err, np.inf))
    return EpochMatch(
        np.where(use_scale, scale, 1.0),
        np.where(use_offset, offset, 0.0),
        scale,
        scale_err,
        offset,
        sky_err,
        n_stars,
    )
