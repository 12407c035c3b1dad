"""What a fault costs in depth, and from where on it costs a given share.

The measure is the signal-to-noise ratio of a faint point source over a bright background, which
is proportional to ``t / (sqrt(sky) * width)``: `t` the share of light that arrives, `sky` the
background, `width` the square root of the point spread's noise-equivalent area (for a Gaussian
``4 pi sigma_x sigma_y``; King 1983, PASP 95, 163, from memory). A loss of 0.2 is a limit 0.24 mag
brighter, one of 0.5 is 0.75 mag. Read noise is left out: it makes a bright sky cost less and
cloud more, by a few per cent where the sky's electrons outnumber the square of the read noise.
"""

import numpy as np

__all__ = [
    "cloud_costing",
    "cost_of_cloud",
    "cost_of_sky",
    "cost_of_smear",
    "cost_of_width",
    "sky_costing",
    "smear_costing",
    "width_costing",
]

_LEAST = 1e-6  # ratio below which nothing is told apart


def cost_of_cloud(mag: float) -> float:
    """Share of the signal-to-noise ratio lost to an extinction in mag."""
    return float(1.0 - 10.0 ** (-0.4 * mag))


def cloud_costing(share: float) -> float:
    """Extinction (mag) that costs a share, 0 to 1."""
    return float(-2.5 * np.log10(1.0 - share))


def cost_of_width(ratio: float) -> float:
    """Share lost to stars `ratio` times as wide as usual; narrower ones gain."""
    return float(1.0 - 1.0 / max(ratio, _LEAST))


def width_costing(share: float) -> float:
    """Width over the usual one that costs a share."""
    return float(1.0 / (1.0 - share))


def cost_of_sky(ratio: float) -> float:
    """Share lost to a sky `ratio` times as bright as usual; a darker one gains."""
    return float(1.0 - 1.0 / np.sqrt(max(ratio, _LEAST)))


def sky_costing(share: float) -> float:
    """Sky over the usual one that costs a share."""
    return float(1.0 / (1.0 - share) ** 2)


def cost_of_smear(smear: float, sigma: float) -> float:
    """Share lost to a smear along one axis.

    Parameters
    ----------
    smear : float
        Standard deviation of the smear, px.
    sigma : float
        That of the point spread without it, px.

    Returns
    -------
    float
        The area grows by ``sqrt(1 + (smear / sigma)**2)``, its root by the square root of that.
    """
    return float(1.0 - (1.0 + (smear / sigma) ** 2) ** -0.25)


def smear_costing(share: float, sigma: float) -> float:
    """Smear (px rms) that costs a share where the point spread has `sigma` px."""
    return float(sigma * np.sqrt((1.0 - share) ** -4 - 1.0))
