"""Raw lines to calibrated electrons, and the model of their variance."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.flags import PixelMask
from pipeline.stages.dark import DarkVector
from pipeline.stages.response import ResponseVector
from pipeline.strip import Amplifier, index_amplifiers

__all__ = [
    "CalibratedBlock",
    "LineTables",
    "background_variance",
    "calibrate_line",
    "calibrate_lines",
    "check_raw",
    "make_tables",
    "variance_line",
]

_QUANTISATION = 1.0 / 12.0  # variance of rounding to whole ADU, ADU^2 (uniform distribution)
_SATURATED, _RAMP, _NO_DATA, _NONE = (
    np.uint16(bit) for bit in (PixelMask.SATURATED, PixelMask.RAMP, PixelMask.NO_DATA, 0)
)


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


class LineTables(NamedTuple):
    """What the compiled functions must know of camera and columns.

    Parameters
    ----------
    gain, full : ndarray of float32 of shape (n_amplifiers,)
        Electrons per ADU, and saturation in ADU.
    first, stop, source : ndarray of int64 of shape (n_amplifiers,)
        Chip columns, and the lowest raw column.
    backward : ndarray of bool of shape (n_amplifiers,)
        Raw columns run against chip columns.
    offset, dark : ndarray of float32 of shape (n_columns,)
        Bias with intercept, and dark charge of a row, electrons.
    inverse : ndarray of float32 of shape (n_columns,)
        1 / response.
    bits : ndarray of uint16 of shape (n_columns,)
        Those of whole columns.
    dark_variance, fixed : ndarray of float32 of shape (n_columns,)
        Variance of a row's dark charge, and that of reading and rounding, electrons^2.
    n_stage : int
        Rows that integrate.
    """

    gain: np.ndarray
    full: np.ndarray
    first: np.ndarray
    stop: np.ndarray
    source: np.ndarray
    backward: np.ndarray
    offset: np.ndarray
    dark: np.ndarray
    inverse: np.ndarray
    bits: np.ndarray
    dark_variance: np.ndarray
    fixed: np.ndarray
    n_stage: int


def make_tables(
    amplifiers: tuple[Amplifier, ...],
    dark: DarkVector,
    response: ResponseVector,
    column_mask: NDArray[np.uint16],
    *,
    line_period: float,
    n_stage: int,
    read_noise: NDArray[np.floating] | None = None,
) -> LineTables:
    """Tables of `calibrate_line` and `variance_line`.

    Parameters
    ----------
    amplifiers, dark, response, column_mask, line_period, n_stage, read_noise
        As of `calibrate_lines` and `background_variance`.

    Returns
    -------
    LineTables

    Raises
    ------
    ValueError
        If the columns differ in number or the amplifiers do not tile the chip.
    """
    n_columns = _check_columns(dark, response, column_mask)
    amps = index_amplifiers(amplifiers, n_columns=n_columns)
    own = [a.read_noise for a in amplifiers] if read_noise is None else list(read_noise)
    fixed = np.array(
        [r * r + a.gain**2 * _QUANTISATION for r, a in zip(own, amplifiers, strict=True)]
    )
    return LineTables(
        gain=np.array([a.gain for a in amplifiers], dtype=np.float32),
        full=np.array([a.saturation for a in amplifiers], dtype=np.float32),
        first=np.array([a.chip[0] for a in amplifiers], dtype=np.int64),
        stop=np.array([a.chip[1] for a in amplifiers], dtype=np.int64),
        source=np.array([a.data[0] for a in amplifiers], dtype=np.int64),
        backward=np.array([a.reversed for a in amplifiers], dtype=np.bool_),
        offset=(dark.bias + response.intercept).astype(np.float32),
        dark=(line_period * dark.dark).astype(np.float32),
        inverse=(1.0 / _safe_response(response, column_mask)).astype(np.float32),
        bits=np.ascontiguousarray(column_mask, dtype=np.uint16),
        dark_variance=np.maximum(line_period * dark.dark, 0.0).astype(np.float32),
        fixed=fixed[amps].astype(np.float32),
        n_stage=n_stage,
    )


@njit(cache=True)
def calibrate_line(
    raw: np.ndarray,
    missing: bool,
    line: int,
    levels: np.ndarray,
    tables: LineTables,
    image: np.ndarray,
    mask: np.ndarray,
) -> None:
    """Fill one line of the image and of the mask (see `calibrate_lines`)."""
    if missing:
        for c in range(image.size):
            image[c] = np.float32(0.0)
            mask[c] = tables.bits[c] | _NO_DATA
        return
    rows = np.float32(min(line, tables.n_stage))
    extra = _RAMP if line < tables.n_stage else _NONE
    for a in range(tables.gain.size):
        first, stop, low = tables.first[a], tables.stop[a], tables.source[a]
        n = stop - first
        gain, level, full = tables.gain[a], levels[a], tables.full[a]
        source, electrons, bits = raw[low : low + n], image[first:stop], mask[first:stop]
        offset, dark = tables.offset[first:stop], tables.dark[first:stop]
        inverse, own = tables.inverse[first:stop], tables.bits[first:stop]
        # Loops over few arrays each: only then several pixels are worked on at once.
        if tables.backward[a]:
            for k in range(n):
                electrons[k] = np.float32(source[n - 1 - k])
        else:
            for k in range(n):
                electrons[k] = np.float32(source[k])
        for k in range(n):
            bits[k] = own[k] | extra | (_SATURATED if electrons[k] >= full else _NONE)
        for k in range(n):
            charge = gain * (electrons[k] - level) - offset[k] - rows * dark[k]
            electrons[k] = charge * inverse[k]


@njit(cache=True)
def _calibrate(
    raw: np.ndarray,
    missing: np.ndarray,
    first_line: int,
    levels: np.ndarray,
    tables: LineTables,
    image: np.ndarray,
    mask: np.ndarray,
) -> None:
    for l in range(image.shape[0]):
        calibrate_line(raw[l], missing[l], first_line + l, levels[l], tables, image[l], mask[l])


def check_raw(
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    first_line: int,
    overscan_levels: NDArray[np.floating],
    n_amplifiers: int,
) -> None:
    """Refuse lines that do not fit together.

    Parameters
    ----------
    raw, missing, first_line, overscan_levels
        As of `calibrate_lines`.
    n_amplifiers : int
        Amplifiers of the chip.

    Raises
    ------
    ValueError
        If shapes disagree or `first_line` is negative.
    """
    if raw.ndim != 2 or missing.shape != raw.shape[:1]:
        msg = (
            "raw and missing must be (lines, columns) and (lines,), "
            f"received {raw.shape} and {missing.shape}"
        )
        raise ValueError(msg)
    if overscan_levels.shape != (len(raw), n_amplifiers):
        msg = (
            f"overscan_levels must be {(len(raw), n_amplifiers)}, received {overscan_levels.shape}"
        )
        raise ValueError(msg)
    if first_line < 0:
        msg = f"first_line must not be negative, received {first_line}"
        raise ValueError(msg)


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
    tables = make_tables(
        amplifiers, dark, response, column_mask, line_period=line_period, n_stage=n_stage
    )
    check_raw(raw, missing, first_line, overscan_levels, len(amplifiers))
    shape = (len(raw), len(column_mask))
    image, mask = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.uint16)
    levels = np.ascontiguousarray(overscan_levels, dtype=np.float32)
    _calibrate(np.ascontiguousarray(raw), missing, first_line, levels, tables, image, mask)
    return CalibratedBlock(first_line, image, mask)


@njit(cache=True)
def variance_line(sky: np.ndarray, line: int, tables: LineTables, variance: np.ndarray) -> None:
    """Fill one line of the variance (see `background_variance`)."""
    rows = np.float32(min(line, tables.n_stage))
    inverse, dark, fixed = tables.inverse, tables.dark_variance, tables.fixed
    for c in range(variance.size):
        light = max(sky[c], np.float32(0.0))
        # (f sky + dark + fixed) / f^2
        variance[c] = inverse[c] * (light + inverse[c] * (rows * dark[c] + fixed[c]))


@njit(cache=True)
def _variance(sky: np.ndarray, first_line: int, tables: LineTables, variance: np.ndarray) -> None:
    for l in range(sky.shape[0]):
        variance_line(sky[l], first_line + l, tables, variance[l])


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
    tables = make_tables(
        amplifiers, dark, response, column_mask,
        line_period=line_period, n_stage=n_stage, read_noise=read_noise,
    )  # fmt: skip
    n_columns = len(column_mask)
    if sky.ndim != 2 or sky.shape[1] != n_columns:
        msg = f"sky must be (n_lines, {n_columns}), received {sky.shape}"
        raise ValueError(msg)
    variance = np.empty(sky.shape, dtype=np.float32)
    _variance(np.ascontiguousarray(sky, dtype=np.float32), first_line, tables, variance)
    return variance
