"""Windowed centroids and second moments of light, with errors.

A Gaussian window keeps noise of the wings out; its effect on the second moments is divided out
again as for Gaussian light: ``C = (M^-1 - W^-1)^-1`` for measured ``M`` and window ``W``. For
other profiles C is a convention, so a prediction must be measured from a model image in the same
way: `predict_moments`.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from pipeline.stages.cutouts import Cutouts, stack_cutouts
from pipeline.stages.psf_model import PsfModel

__all__ = ["Moments", "measure_moments", "predict_moments"]

FloatArray = NDArray[np.float64]
_MAX_ITERATIONS = 50
_TOLERANCE = 1e-5  # px


@dataclass(frozen=True)
class Moments:
    """Windowed moments of n sources; NaN where the light does not determine them.

    Attributes
    ----------
    d_line, d_column : ndarray of shape (n,)
        Centroid relative to the central pixel of the cutout, px.
    line_err, column_err : ndarray
    mom_ll, mom_lc, mom_cc : ndarray
        Second moments, px^2.
    ll_err, lc_err, cc_err : ndarray
    """

    d_line: FloatArray
    d_column: FloatArray
    line_err: FloatArray
    column_err: FloatArray
    mom_ll: FloatArray
    mom_lc: FloatArray
    mom_cc: FloatArray
    ll_err: FloatArray
    lc_err: FloatArray
    cc_err: FloatArray


@njit(cache=True)
def _fill_window(middle: float, half: int, reach: int, w2: float, out: np.ndarray) -> None:
    """One axis of a Gaussian window: the other multiplies it."""
    for i in range(half - reach, half + reach + 1):
        d = i - half - middle
        out[i] = np.exp(-0.5 * d * d / w2)


@njit(cache=True)
def _moments(
    image: np.ndarray,
    variance: np.ndarray,
    photon: np.ndarray,
    half: int,
    d_line: np.ndarray,
    d_column: np.ndarray,
    sigma: np.ndarray,
    max_iterations: int,
    tolerance: float,
    out: np.ndarray,
) -> None:
    size = 2 * half + 1
    along = np.empty(size)
    across = np.empty(size)
    for s in range(d_line.size):
        out[s, :] = np.nan
        w2 = sigma[s] ** 2
        # Beyond four standard deviations the window is below 4e-4.
        reach = min(int(np.ceil(4.0 * sigma[s])) + 1, half)
        l, c = d_line[s], d_column[s]
        ok = False
        for _ in range(max_iterations):
            s0 = sl = sc = 0.0
            _fill_window(l, half, reach, w2, along)
            _fill_window(c, half, reach, w2, across)
            for i in range(half - reach, half + reach + 1):
                dl = i - half - l
                for j in range(half - reach, half + reach + 1):
                    v = along[i] * across[j] * image[s * size + i, j]
                    s0 += v
                    sl += v * dl
                    sc += v * (j - half - c)
            if s0 <= 0.0:
                break
            # The window pulls towards its own centre: for matched widths by a half.
            step_l, step_c = 2.0 * sl / s0, 2.0 * sc / s0
            l += step_l
            c += step_c
            if abs(l - d_line[s]) > 2.0 or abs(c - d_column[s]) > 2.0:
                break
            if abs(step_l) < tolerance and abs(step_c) < tolerance:
                ok = True
                break
        if not ok:
            continue
        s0 = ll = lc = cc = 0.0
        _fill_window(l, half, reach, w2, along)
        _fill_window(c, half, reach, w2, across)
        for i in range(half - reach, half + reach + 1):
            for j in range(half - reach, half + reach + 1):
                dl, dc = i - half - l, j - half - c
                v = along[i] * across[j] * image[s * size + i, j]
                s0 += v
                ll += v * dl * dl
                lc += v * dl * dc
                cc += v * dc * dc
        if s0 <= 0.0:
            continue
        ll, lc, cc = ll / s0, lc / s0, cc / s0
        err_l = err_c = err_lc = 0.0
        q = np.zeros((3, 3))
        row = np.empty(3)
        for i in range(half - reach, half + reach + 1):
            for j in range(half - reach, half + reach + 1):
                dl, dc = i - half - l, j - half - c
                w = along[i] * across[j]
                r = s * size + i
                v = w * w * (variance[r, j] + photon[s] * max(image[r, j], 0.0))
                err_l += v * dl * dl
                err_c += v * dc * dc
                err_lc += v * dl * dc
                row[0], row[1], row[2] = dl * dl - ll, dl * dc - lc, dc * dc - cc
                for a in range(3):
                    for b in range(3):
                        q[a, b] += v * row[a] * row[b]
        out[s, 0], out[s, 1] = l, c
        # Moving the window by x moves the windowed mean by -(1 - M/W) x.
        h_ll, h_lc, h_cc = 1.0 - ll / w2, -lc / w2, 1.0 - cc / w2
        det_h = h_ll * h_cc - h_lc * h_lc
        if h_ll > 0.0 and det_h > 0.0:
            v_l = h_cc * h_cc * err_l - 2.0 * h_cc * h_lc * err_lc + h_lc * h_lc * err_c
            v_c = h_lc * h_lc * err_l - 2.0 * h_ll * h_lc * err_lc + h_ll * h_ll * err_c
            out[s, 2], out[s, 3] = np.sqrt(v_l) / (det_h * s0), np.sqrt(v_c) / (det_h * s0)
        det = ll * cc - lc * lc
        if det <= 0.0 or ll <= 0.0:
            continue
        # Inverse of M less that of the window, and back.
        a_ll, a_lc, a_cc = cc / det - 1.0 / w2, -lc / det, ll / det - 1.0 / w2
        det_a = a_ll * a_cc - a_lc * a_lc
        if det_a <= 0.0 or a_ll <= 0.0:
            continue
        c_ll, c_lc, c_cc = a_cc / det_a, -a_lc / det_a, a_ll / det_a
        # dC = G dM G^T with G = C M^-1.
        g00 = (c_ll * cc - c_lc * lc) / det
        g01 = (-c_ll * lc + c_lc * ll) / det
        g10 = (c_lc * cc - c_cc * lc) / det
        g11 = (-c_lc * lc + c_cc * ll) / det
        jacobian = np.empty((3, 3))
        jacobian[0, 0], jacobian[0, 1], jacobian[0, 2] = g00 * g00, 2 * g00 * g01, g01 * g01
        jacobian[1, 0], jacobian[1, 1], jacobian[1, 2] = g00 * g10, g00 * g11 + g01 * g10, g01 * g11
        jacobian[2, 0], jacobian[2, 1], jacobian[2, 2] = g10 * g10, 2 * g10 * g11, g11 * g11
        out[s, 4], out[s, 5], out[s, 6] = c_ll, c_lc, c_cc
        for k in range(3):
            v = 0.0
            for a in range(3):
                for b in range(3):
                    v += jacobian[k, a] * q[a, b] * jacobian[k, b]
            out[s, 7 + k] = np.sqrt(v) / s0


def measure_moments(cutouts: Cutouts, window: ArrayLike) -> Moments:
    """Windowed centroid and second moments.

    Parameters
    ----------
    cutouts : Cutouts
    window : array_like of shape (n,) or scalar
        Standard deviation of the window, px; best equal to that of the light.

    Returns
    -------
    Moments
    """
    sigma = np.broadcast_to(np.asarray(window, dtype=float), (len(cutouts),)).copy()
    if not np.all(sigma > 0):
        raise ValueError("window: must be positive")
    out = np.empty((len(cutouts), 10))
    _moments(
        cutouts.image,
        cutouts.variance,
        cutouts.photon,
        cutouts.half_size,
        cutouts.d_line,
        cutouts.d_column,
        sigma,
        _MAX_ITERATIONS,
        _TOLERANCE,
        out,
    )
    return Moments(*(out[:, i].copy() for i in range(10)))


def predict_moments(
    model: PsfModel, lines: ArrayLike, columns: ArrayLike, window: ArrayLike
) -> Moments:
    """Moments that noise-free stars of the model would be measured to have.

    Parameters
    ----------
    model : PsfModel
    lines, columns : array_like of shape (n,)
        Global lines and columns.
    window : array_like of shape (n,) or scalar
        As in `measure_moments`.

    Returns
    -------
    Moments
        The errors are zero.
    """
    lines, columns = np.broadcast_arrays(
        np.atleast_1d(np.asarray(lines, dtype=float)), np.asarray(columns, dtype=float)
    )
    images = model.kernels(lines, columns, model.half_size)
    stack = stack_cutouts(images, 0.0, d_line=0.0, d_column=0.0)
    moments = measure_moments(stack, window)
    zero = np.zeros(lines.size)
    return Moments(
        moments.d_line,
        moments.d_column,
        zero,
        zero,
        moments.mom_ll,
        moments.mom_lc,
        moments.mom_cc,
        zero,
        zero,
        zero,
    )
