"""The gnomonic (TAN) sky projection of the FITS standard."""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.geometry.camera import FloatArray

__all__ = ["project_tangent", "unproject_tangent"]

TWO_PI = 2.0 * np.pi


def project_tangent(
    ra: ArrayLike, dec: ArrayLike, *, ra0: float, dec0: float
) -> tuple[FloatArray, FloatArray]:
    """Gnomonic (TAN) standard coordinates.

    Parameters
    ----------
    ra, dec : array_like
        Radians.
    ra0, dec0 : float
        Tangent point, radians.

    Returns
    -------
    x, y : ndarray
        East and north, radians; NaN on the far hemisphere.

    References
    ----------
    Calabretta & Greisen 2002, A&A 395, 1077, sec. 5.1.3.
    """
    ra = np.asarray(ra, np.float64)
    dec = np.asarray(dec, np.float64)
    cos_d, sin_d = np.cos(dec), np.sin(dec)
    cos_a, sin_a = np.cos(ra - ra0), np.sin(ra - ra0)
    depth = sin_d * np.sin(dec0) + cos_d * np.cos(dec0) * cos_a
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.where(depth > 0, depth, np.nan)
    return (
        np.asarray(cos_d * sin_a / depth),
        np.asarray((sin_d * np.cos(dec0) - cos_d * np.sin(dec0) * cos_a) / depth),
    )


def unproject_tangent(
    x: ArrayLike, y: ArrayLike, *, ra0: float, dec0: float
) -> tuple[FloatArray, FloatArray]:
    """Sky of gnomonic standard coordinates: the inverse of `project_tangent`.

    Parameters
    ----------
    x, y : array_like
        East and north, radians.
    ra0, dec0 : float
        Tangent point, radians.

    Returns
    -------
    ra, dec : ndarray
        Radians, `ra` in [0, 2 pi).
    """
    x = np.asarray(x, np.float64)
    y = np.asarray(y, np.float64)
    across = np.cos(dec0) - y * np.sin(dec0)
    up = np.sin(dec0) + y * np.cos(dec0)
    return (
        np.asarray((ra0 + np.arctan2(x, across)) % TWO_PI),
        np.asarray(np.arctan2(up, np.hypot(x, across))),
    )
