"""Large-scale response of a season from its darkest nights.

Additive light that is there all night (moonlight scattered in the telescope) cannot be told from
response in that night: it bends the response smoothly, by its share of the sky. A column's own
response is needed to the photon noise of all nights together; smooth patterns across the chip are
determined by hundreds of columns at once, far better than needed, so that they can be taken from
the nights on which least light was added. That the darkest nights serve best for the large-scale
flat is common practice, no source.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.season_compare import fit_robustly

__all__ = ["SmoothPart", "combine_smooth"]

_F = NDArray[np.float64]


class SmoothPart(NamedTuple):
    """What dark nights say of the mean response: relative correction, its variance, night shares.

    ``correction`` and ``variance`` have shape (n_columns,); ``shares`` (n_nights,), of unit sum,
    are those of the smoothest pattern.
    """

    correction: _F
    variance: _F
    shares: _F


def combine_smooth(
    value: _F, weight: _F, mean: _F, sky: _F, *, modes: int, unseen_light: float
) -> SmoothPart:
    """Smooth differences of nights from their mean, weighted by how dark the nights were.

    Parameters
    ----------
    value, weight : ndarray of shape (n_nights, n_columns)
        Responses on one scale and their inverse variances; 0: unknown.
    mean : ndarray of shape (n_columns,)
        Their mean by inverse variance.
    sky : ndarray of shape (n_nights,)
        Typical sky level, electrons; nights where it is not known count as dark.
    modes : int
        Cosines across the chip that make the smooth part, from the first full period on.
    unseen_light : float
        Additive light, rms over the columns, relative to what a night's sky has more than the
        darkest one's. Where a night has no more, photons alone weight it.

    Returns
    -------
    SmoothPart
        ``mean * (1 + correction)`` has the smooth part of the darkest nights. A constant and a
        slope, which gradients of the sky feign, are left as they are.
    """
    n_nights, n_columns = value.shape
    x = np.linspace(-1.0, 1.0, n_columns)
    cosines = np.cos(0.5 * np.pi * np.arange(2, modes + 2) * (x[:, None] + 1.0))
    design = np.concatenate([np.ones((n_columns, 1)), x[:, None], cosines], axis=1)
    extra = np.nan_to_num(np.clip(1.0 - np.nanmin(sky) / sky, 0.0, 1.0))
    photons = np.full(n_nights, np.inf)
    fits = np.zeros((n_nights, modes))
    for k in range(n_nights):
        use = (weight[k] > 0) & (mean > 0)
        if np.count_nonzero(use) <= 2 * design.shape[1]:
            continue
        u = np.where(use, value[k] / np.where(use, mean, 1.0) - 1.0, 0.0)
        own = np.where(use, weight[k] * mean**2, 0.0)
        fit, _, _ = fit_robustly(design, u, own)
        fits[k] = fit[2:]
        # A cosine's square is one half, mean over the chip: variance of a coefficient.
        photons[k] = 2.0 / float(own.sum())
    known = np.isfinite(photons)
    if not known.any():
        return SmoothPart(np.zeros(n_columns), np.zeros(n_columns), np.full(n_nights, 1 / n_nights))
    # Light is smooth: its power falls with the order of the cosine. A rule of ours, no source.
    power = np.arange(2, modes + 2, dtype=float) ** -3.0
    light = 2.0 * (unseen_light * extra) ** 2 * (power / power.sum())[:, None]
    variance = photons + light  # of shape (modes, n_nights)
    shares = np.where(known, 1.0 / np.where(known, variance, 1.0), 0.0)
    shares = shares / shares.sum(axis=1, keepdims=True)
    left = 0.5 * float(np.sum(shares**2 * np.where(known, variance, 0.0)))
    correction = cosines @ np.sum(shares * fits.T, axis=1)
    return SmoothPart(correction, np.full(n_columns, left), shares[0])
