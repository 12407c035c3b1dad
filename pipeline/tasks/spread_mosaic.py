"""A tile's point spread as one image: a mosaic of stamps that any viewer shows."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.tile_noise import NoiseImages
from pipeline.stages.tile_psf import OVERSAMPLE, SpreadImages

__all__ = ["describe_spread", "pack_noise", "pack_spread", "unpack_noise", "unpack_spread"]


def describe_spread(spread: SpreadImages) -> dict[str, Any]:
    """Header cards that say where the stamps of a mosaic belong.

    Parameters
    ----------
    spread : SpreadImages

    Returns
    -------
    dict
    """
    return {
        "SPRDNX": (spread.node_x.size, "stamps along axis 1 of SPREAD"),
        "SPRDNY": (spread.node_y.size, "stamps along axis 2 of SPREAD"),
        "SPRDX0": (float(spread.node_x[0]), "[pixel] 0-based x of the first stamp"),
        "SPRDX1": (float(spread.node_x[-1]), "[pixel] x of the last stamp, evenly spaced"),
        "SPRDOVER": (OVERSAMPLE, "points of a stamp per pixel"),
        **{
            f"SPRDY{k:03d}": (float(y), f"[pixel] 0-based y of row {k} of stamps")
            for k, y in enumerate(spread.node_y)
        },
    }


def pack_spread(spread: SpreadImages) -> NDArray[np.float32]:
    """Stamps side by side.

    Parameters
    ----------
    spread : SpreadImages

    Returns
    -------
    ndarray of float32 of shape (n_y * G, n_x * G)
    """
    n_y, n_x, g, _ = spread.images.shape
    return spread.images.transpose(0, 2, 1, 3).reshape(n_y * g, n_x * g)


def unpack_spread(mosaic: NDArray[Any], header: Mapping[str, Any]) -> SpreadImages:
    """Stamps of a mosaic.

    Parameters
    ----------
    mosaic : ndarray of shape (n_y * G, n_x * G)
        From `pack_spread`.
    header : mapping
        With the cards of `describe_spread`.

    Returns
    -------
    SpreadImages
    """
    n_y, n_x = int(header["SPRDNY"]), int(header["SPRDNX"])
    g = mosaic.shape[1] // n_x
    images = mosaic.reshape(n_y, g, n_x, g).transpose(0, 2, 1, 3).astype(np.float32)
    return SpreadImages(
        np.ascontiguousarray(images),
        np.array([float(header[f"SPRDY{k:03d}"]) for k in range(n_y)]),
        np.linspace(float(header["SPRDX0"]), float(header["SPRDX1"]), n_x),
    )


def pack_noise(noise: NoiseImages) -> NDArray[np.float32]:
    """Images of the noise's correlation side by side, as `pack_spread`; their nodes are SPREAD's.

    Parameters
    ----------
    noise : NoiseImages

    Returns
    -------
    ndarray of float32 of shape (n_y * L, n_x * L)
    """
    n_y, n_x, side, _ = noise.images.shape
    return noise.images.transpose(0, 2, 1, 3).reshape(n_y * side, n_x * side)


def unpack_noise(mosaic: NDArray[Any], header: Mapping[str, Any]) -> NoiseImages:
    """Images of a mosaic of `pack_noise`.

    Parameters
    ----------
    mosaic : ndarray of shape (n_y * L, n_x * L)
        From `pack_noise`.
    header : mapping
        With the cards of `describe_spread`.

    Returns
    -------
    NoiseImages
    """
    plain = unpack_spread(mosaic, header)
    return NoiseImages(plain.images, plain.node_y, plain.node_x)
