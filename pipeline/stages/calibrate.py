"""Raw lines to calibrated electrons, in one pass, and the model of their variance."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.flags import PixelMask
from pipeline.stages.dark import DarkVector
from pipeline.stages.response import ResponseVector
from pipeline.strip import Amplifier, index_amplifiers, index_raw_columns

__all__ = ["CalibratedBlock", "background_variance", "calibrate_lines"]

_QUANTISATION = 1.0 / 12.0  # variance of rounding to whole ADU, ADU^2 (uniform distribution)


@dataclass(frozen=True)
class CalibratedBlock:
    """Calibrated lines.

    Parameters
    ----------
    first_line : int
        Global line of the first.
    image : ndarray of float32 of shape (n_lines, n_columns)
        Electrons for a response of 1, sky included. Lines and columns without data hold 0.
    mask : ndarray of uint16 of shape (n_lines, n_columns)
        `PixelMask` bits; nonzero is bad.
    """

    first_line: int
    image: NDArray[np.float32]
    mask: NDArray[np.uint16]


@njit(cache=True)
def _calibrate(
    raw: np.ndarray,
    missing: np.ndarray,
    first_line: int,
    columns: np.ndarray,
    amps: np.ndarray,
    gains: np.ndarray,
    full: np.ndarray,
    levels: np.ndarray,
    offset: np.ndarray,
    dark: np.ndarray,
    inverse: np.ndarray,
    column_mask: np.ndarray,
    n_stage: int,
    saturated: int,
    ramp: int,
    no_data: int,
    image: np.ndarray,
    mask: np.ndarray,
) -> None:
    n_lines, n_columns = image.shape
    none = np.uint16(0)
    for l in range(n_lines):
        if missing[l]:
            for c in range(n_columns):
                image[l, c] = np.float32(0.0)
                mask[l, c] = column_mask[c] | no_data
            continue
        rows = np.float32(min(first_line + l, n_stage))
        extra = ramp if first_line + l < n_stage else none
        # One amplifier's columns run together: its constants stay out of the inner loop.
        start = 0
        while start < n_columns:
            a = amps[start]
            stop = start
            while stop < n_columns and amps[stop] == a:
                stop += 1
            gain = gains[a]
            level = levels[l, a]
            top = full[a]
            step = columns[stop - 1] - columns[start] if stop - start > 1 else 0
            backward = step < 0
            low = columns[stop - 1] if backward else columns[start]
            source = raw[l, low : low + stop - start]
            own_offset, own_dark = offset[start:stop], dark[start:stop]
            own_inverse, own_bits = inverse[start:stop], column_mask[start:stop]
            electrons, bits = image[l, start:stop], mask[l, start:stop]
            # A loop for each way of reading out: only then several pixels are worked on at once.
            if backward:
                for k in range(stop - start):
                    value = np.float32(source[stop - start - 1 - k])
                    charge = gain * (value - level) - own_offset[k] - rows * own_dark[k]
                    electrons[k] = charge * own_inverse[k]
                    bits[k] = own_bits[k] | extra | (saturated if value >= top else none)
            else:
                for k in range(stop - start):
                    value = np.float32(source[k])
                    charge = gain * (value - level) - own_offset[k] - rows * own_dark[k]
                    electrons[k] = charge * own_inverse[k]
                    bits[k] = own_bits[k] | extra | (saturated if value >= top else none)
            start = stop


def _check_columns(dark: DarkVector, response: ResponseVector, column_mask: NDArray) -> int:
    n = len(column_mask)
    if dark.n_columns != n or response.n_columns != n:
        msg = (
            "dark, response and column_mask must share their columns, received "
            f"{dark.n_columns}, {response.n_columns} and {n}"
        )
        raise ValueError(msg)
    return n


def _safe_response(response: ResponseVector, column_mask: NDArray[np.uint16]) -> NDArray:
    """Response to divide by: 1 for dead columns and those without a measured value."""
    dead = (column_mask & int(PixelMask.DEAD)) > 0
    bad = dead | ~np.isfinite(response.value) | (response.value <= 0)
    return np.where(bad, 1.0, response.value)


def calibrate_lines(
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    first_line: int,
    amplifiers: tuple[Amplifier, ...],
    overscan_levels: NDArray[np.floating],
    dark: DarkVector,
    response: ResponseVector,
    column_mask: NDArray[np.uint16],
    *,
    line_period: float,
    n_stage: int,
) -> CalibratedBlock:
    """Calibrated electrons ``(gain (raw - overscan) - bias - n tau dark - intercept) / response``.

    ``n = min(line, n_stage)`` rows integrate. The response's intercept is what bias and dark
    missed, so it is subtracted with them; it does not grow in the ramp.

    Parameters
    ----------
    raw : ndarray of shape (n_lines, n_raw_columns)
        ADU.
    missing : ndarray of bool of shape (n_lines,)
        True where a line holds no data.
    first_line : int
        Global line of the first.
    amplifiers : tuple of Amplifier
        They tile the chip.
    overscan_levels : ndarray of shape (n_lines, n_amplifiers)
        ADU, from `interpolate_overscan`.
    dark : DarkVector
    response : ResponseVector
    column_mask : ndarray of uint16 of shape (n_columns,)
        Bits of whole columns.
    line_period : float
        Seconds.
    n_stage : int
        Rows that integrate.

    Returns
    -------
    CalibratedBlock
        Dead columns are not divided by their response. Bits added: SATURATED (raw at or above the
        amplifier's saturation), RAMP, NO_DATA.

    Raises
    ------
    ValueError
        If shapes disagree or `first_line` is negative.
    """
    n_columns = _check_columns(dark, response, column_mask)
    if raw.ndim != 2 or missing.shape != raw.shape[:1]:
        msg = (
            "raw and missing must be (lines, columns) and (lines,), "
            f"received {raw.shape} and {missing.shape}"
        )
        raise ValueError(msg)
    n_lines = raw.shape[0]
    if overscan_levels.shape != (n_lines, len(amplifiers)):
        msg = (
            f"overscan_levels must be {(n_lines, len(amplifiers))}, "
            f"received {overscan_levels.shape}"
        )
        raise ValueError(msg)
    if first_line < 0:
        msg = f"first_line must not be negative, received {first_line}"
        raise ValueError(msg)
    columns = index_raw_columns(amplifiers, n_columns=n_columns)
    amps = index_amplifiers(amplifiers, n_columns=n_columns)
    f = _safe_response(response, column_mask)
    image = np.empty((n_lines, n_columns), dtype=np.float32)
    mask = np.empty((n_lines, n_columns), dtype=np.uint16)
    _calibrate(
        np.ascontiguousarray(raw),
        missing,
        first_line,
        columns,
        amps,
        np.array([a.gain for a in amplifiers], dtype=np.float32),
        np.array([a.saturation for a in amplifiers], dtype=np.float32),
        np.ascontiguousarray(overscan_levels, dtype=np.float32),
        (dark.bias + response.intercept).astype(np.float32),
        (line_period * dark.dark).astype(np.float32),
        (1.0 / f).astype(np.float32),
        np.ascontiguousarray(column_mask, dtype=np.uint16),
        n_stage,
        np.uint16(PixelMask.SATURATED),
        np.uint16(PixelMask.RAMP),
        np.uint16(PixelMask.NO_DATA),
        image,
        mask,
    )
    return CalibratedBlock(first_line, image, mask)


@njit(cache=True)
def _variance(
    sky: np.ndarray,
    first_line: int,
    n_stage: int,
    inverse: np.ndarray,
    dark: np.ndarray,
    fixed: np.ndarray,
    variance: np.ndarray,
) -> None:
    n_lines, n_columns = sky.shape
    zero = np.float32(0.0)
    for l in range(n_lines):
        rows = np.float32(min(first_line + l, n_stage))
        for c in range(n_columns):
            light = max(sky[l, c], zero)
            # (f sky + dark + fixed) / f^2
            variance[l, c] = inverse[c] * (light + inverse[c] * (rows * dark[c] + fixed[c]))


def background_variance(
    sky: NDArray[np.floating],
    first_line: int,
    amplifiers: tuple[Amplifier, ...],
    dark: DarkVector,
    response: ResponseVector,
    column_mask: NDArray[np.uint16],
    *,
    line_period: float,
    n_stage: int,
    read_noise: NDArray[np.floating] | None = None,
) -> NDArray[np.float32]:
    """Variance of calibrated pixels without stars, from the model alone.

    ``(f sky + n tau dark + read_noise^2 + gain^2 / 12) / f^2``: smooth, so that weights do not
    follow a pixel's own noise. Negative sky or dark counts as none.

    Parameters
    ----------
    sky : ndarray of shape (n_lines, n_columns)
        As it stands in the calibrated image (see `SkyModel.evaluate`), electrons.
    first_line : int
        Global line of the first.
    amplifiers : tuple of Amplifier
        Gain and, without `read_noise`, read noise.
    dark : DarkVector
    response : ResponseVector
    column_mask : ndarray of uint16 of shape (n_columns,)
        Dead columns are taken with a response of 1, as in `calibrate_lines`.
    line_period : float
        Seconds.
    n_stage : int
        Rows that integrate.
    read_noise : ndarray of shape (n_amplifiers,), optional
        Measured read noise, electrons.

    Returns
    -------
    ndarray of float32 of shape (n_lines, n_columns)
        Electrons^2.

    Raises
    ------
    ValueError
        If shapes disagree.
    """
    n_columns = _check_columns(dark, response, column_mask)
    if sky.ndim != 2 or sky.shape[1] != n_columns:
        msg = f"sky must be (n_lines, {n_columns}), received {sky.shape}"
        raise ValueError(msg)
    amps = index_amplifiers(amplifiers, n_columns=n_columns)
    own = [a.read_noise for a in amplifiers] if read_noise is None else list(read_noise)
    fixed = np.array(
        [r * r + a.gain**2 * _QUANTISATION for r, a in zip(own, amplifiers, strict=True)]
    )
    variance = np.empty(sky.shape, dtype=np.float32)
    _variance(
        np.ascontiguousarray(sky, dtype=np.float32),
        first_line,
        n_stage,
        (1.0 / _safe_response(response, column_mask)).astype(np.float32),
        np.maximum(line_period * dark.dark, 0.0).astype(np.float32),
        fixed[amps].astype(np.float32),
        variance,
    )
    return variance
