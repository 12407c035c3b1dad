"""Where along a tile which epochs contribute: strips begin and end, and lines are lost.

An epoch has a point spread of its own, so that of a stack jumps where an epoch begins or ends.
Strips cross a tile along its y; a zone is a range of rows in which the same epochs contribute.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

__all__ = ["Zone", "find_zones", "mark_changes"]

_MIN_ROWS = 4  # shorter ones are gaps in a strip: a star there is flagged, not modelled
_PRESENT = 0.5  # of the columns that any epoch has


class Zone(NamedTuple):
    """Rows ``first`` to ``stop`` (half-open) and the epochs that contribute there."""

    first: int
    stop: int
    present: NDArray[np.bool_]


def find_zones(good: NDArray[np.bool_]) -> tuple[Zone, ...]:
    """Ranges of rows in which the same epochs contribute.

    Parameters
    ----------
    good : ndarray of bool of shape (n_epochs, ny, nx)
        True where an epoch has a value.

    Returns
    -------
    tuple of Zone
        In order; rows without any epoch belong to none. An epoch counts as present in a row when
        it has a value in more than half of the columns in which it has any on the tile.
    """
    if good.ndim != 3:
        msg = f"good must have shape (n_epochs, ny, nx), got {good.shape}"
        raise ValueError(msg)
    n_rows = good.shape[1]
    columns = np.maximum(good.any(axis=1).sum(axis=1), 1)
    present = good.sum(axis=2) > _PRESENT * columns[:, None]
    edges = [0, *(np.flatnonzero((present[:, 1:] != present[:, :-1]).any(axis=0)) + 1), n_rows]
    runs = [(int(a), int(b)) for a, b in pairwise(edges)]
    zones: list[Zone] = []
    for first, stop in runs:
        here = present[:, first]
        if stop - first < _MIN_ROWS and len(runs) > 1:
            continue  # a gap: the zone before it goes on where the next begins
        if zones and np.array_equal(zones[-1].present, here):
            zones[-1] = zones[-1]._replace(stop=stop)
        else:
            zones.append(Zone(first, stop, here))
    return tuple(zone for zone in zones if zone.present.any())


def mark_changes(n_used: NDArray[np.uint16], *, size: int, share: float = 0.2) -> NDArray[np.bool_]:
    """Pixels around which the number of epochs changes: no one point spread holds there.

    Parameters
    ----------
    n_used : ndarray of shape (ny, nx)
        Epochs per pixel.
    size : int
        Side of the square looked at, px.
    share : float
        Part of the square that may have another number of epochs than its middle has: single
        pixels that lost an epoch, to a cosmic ray say, change little.

    Returns
    -------
    ndarray of bool of shape (ny, nx)
        The rim of the tile is taken to go on.
    """
    if size < 1 or size % 2 == 0:
        msg = f"size must be odd and positive, got {size}"
        raise ValueError(msg)
    # The middle may itself be such a pixel: the median of its 3 x 3 stands for it.
    middle = _median3(n_used)
    other = np.zeros(n_used.shape)
    for number in np.unique(middle):
        differs = uniform_filter((n_used != number).astype(float), size, mode="nearest")
        here = middle == number
        other[here] = differs[here]
    return np.asarray(other > share)


def _median3(values: NDArray[np.uint16]) -> NDArray[np.uint16]:
    padded = np.pad(values, 1, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (3, 3))
    return np.median(windows, axis=(2, 3)).astype(values.dtype)
