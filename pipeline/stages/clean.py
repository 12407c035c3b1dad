"""Raw lines to clean ones in one pass, a line at a time while it is in the fastest memory."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.stages.calibrate import LineTables, calibrate_line, check_raw, variance_line
from pipeline.stages.cosmic import CosmicLimits, find_sharp
from pipeline.stages.sky_lines import SkyLines, sky_line

__all__ = ["clean_lines"]


@njit(cache=True)
def _clean(
    raw: np.ndarray,
    missing: np.ndarray,
    first_line: int,
    levels: np.ndarray,
    tables: LineTables,
    sky: SkyLines,
    limits: CosmicLimits,
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
) -> np.ndarray:
    n_lines, n_columns = image.shape
    light = np.empty(n_columns, dtype=np.float32)
    likely = np.empty(n_columns, dtype=np.uint8)
    sharp = [0 for _ in range(0)]
    for l in range(n_lines):
        row, line = image[l], first_line + l
        sky_line(sky, l, light)
        calibrate_line(raw[l], missing[l], line, levels[l], tables, row, mask[l])
        variance_line(light, line, tables, variance[l])
        for c in range(n_columns):
            row[c] -= light[c]
        if l > 0:  # the line after decides too
            find_sharp(image, variance, mask, l - 1, limits, likely, sharp)
    if n_lines > 0:
        find_sharp(image, variance, mask, n_lines - 1, limits, likely, sharp)
    return np.array(sharp)


def clean_lines(
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    first_line: int,
    overscan_levels: NDArray[np.floating],
    tables: LineTables,
    sky: SkyLines,
    limits: CosmicLimits,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint16], NDArray[np.int64]]:
    """Calibrated lines without their sky, as of `calibrate_lines` and `background_variance`.

    Parameters
    ----------
    raw, missing, first_line, overscan_levels
        As of `calibrate_lines`.
    tables : LineTables
        Of the camera and its columns.
    sky : SkyLines
        Sky of these lines.
    limits : CosmicLimits
        Of cosmic rays.

    Returns
    -------
    image, variance : ndarray of float32 of shape (n_lines, n_columns)
        Electrons and electrons^2.
    mask : ndarray of uint16 of shape (n_lines, n_columns)
        SATURATED, RAMP, NO_DATA and the columns' bits.
    sharp : ndarray of int64
        Where cosmic rays may be: for `mark_cosmic_rays`, once saturation is marked.

    Raises
    ------
    ValueError
        If shapes disagree or `first_line` is negative.
    """
    check_raw(raw, missing, first_line, overscan_levels, tables.gain.size)
    shape = (len(raw), tables.inverse.size)
    if (sky.common.size, sky.rows.shape[1]) != shape:
        msg = f"sky must be {shape}, received {(sky.common.size, sky.rows.shape[1])}"
        raise ValueError(msg)
    image, variance = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    mask = np.empty(shape, dtype=np.uint16)
    levels = np.ascontiguousarray(overscan_levels, dtype=np.float32)
    sharp = _clean(
        np.ascontiguousarray(raw), missing, first_line, levels, tables, sky, limits,
        image, variance, mask,
    )  # fmt: skip
    return image, variance, mask, sharp
