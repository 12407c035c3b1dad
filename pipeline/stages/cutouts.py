"""Small images of single sources: neighbours' models removed, bad pixels filled with the own model.

All cutouts of a list are stacked into one tall image, so that whole-array routines measure
thousands of sources in one call.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from pipeline.stages.psf_model import PsfModel
from pipeline.stages.source_models import SourceModels, draw_models
from pipeline.stages.spline_kernels import REACH
from pipeline.stages.stamp_kernels import (
    begin_run,
    blend_place,
    draw_stamp,
    part_side,
)

__all__ = ["Cutouts", "isolate_sources", "stack_cutouts"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Cutouts:
    """Stacked cutouts of n sources; source i has rows ``i * size`` to ``(i + 1) * size - 1``.

    Attributes
    ----------
    image : ndarray of float32, shape (n * size, size)
        Electrons.
    variance : ndarray of float32
        Variance without the source's own light.
    lost : ndarray of float32
        1 where the pixel is bad and was filled, otherwise 0.
    d_line, d_column : ndarray of shape (n,)
        Position of each source relative to the central pixel of its cutout.
    photon : ndarray of shape (n,)
        Variance per electron of the source's own light.
    half_size : int
        ``(size - 1) / 2``.
    """

    image: NDArray[np.float32]
    variance: NDArray[np.float32]
    lost: NDArray[np.float32]
    d_line: FloatArray
    d_column: FloatArray
    photon: FloatArray
    half_size: int

    def __len__(self) -> int:
        """Number of cutouts."""
        return int(self.d_line.size)

    @property
    def row(self) -> FloatArray:
        """Row of each source in the stacked image."""
        size = 2 * self.half_size + 1
        return np.arange(len(self)) * size + self.half_size + _quantise(self.d_line)

    @property
    def column(self) -> FloatArray:
        """Column of each source in the stacked image."""
        return self.half_size + _quantise(self.d_column)


def _quantise(offset: FloatArray) -> FloatArray:
    """Round to 2^-30 px, so that adding a row number keeps every bit wherever the cutout lies."""
    return np.asarray(np.rint(offset * 2.0**30) / 2.0**30)


def stack_cutouts(
    images: ArrayLike,
    variances: ArrayLike,
    *,
    d_line: ArrayLike,
    d_column: ArrayLike,
) -> Cutouts:
    """Stack ready-made small images, for instance noise-free models.

    Parameters
    ----------
    images, variances : array_like of shape (n, size, size), size odd
    d_line, d_column : array_like of shape (n,)
        Positions relative to the central pixels.

    Returns
    -------
    Cutouts
    """
    images = np.asarray(images, dtype=np.float32)
    if images.ndim != 3 or images.shape[1] != images.shape[2] or images.shape[1] % 2 == 0:
        raise ValueError(f"images: must have shape (n, odd, odd), got {images.shape}")
    n, size, _ = images.shape
    # A copy of its own: a broadcast array is read-only, which compiled sums refuse.
    variances = np.broadcast_to(np.asarray(variances, dtype=np.float32), images.shape).copy()
    return Cutouts(
        image=np.ascontiguousarray(images.reshape(n * size, size)),
        variance=np.ascontiguousarray(variances.reshape(n * size, size)),
        lost=np.zeros((n * size, size), dtype=np.float32),
        d_line=np.broadcast_to(np.asarray(d_line, dtype=float), (n,)).copy(),
        d_column=np.broadcast_to(np.asarray(d_column, dtype=float), (n,)).copy(),
        photon=np.ones(n),
        half_size=size // 2,
    )


@njit(cache=True)
def _cut(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    photon: np.ndarray,
    total: np.ndarray,
    line: np.ndarray,
    column: np.ndarray,
    d_line: np.ndarray,
    d_column: np.ndarray,
    flux: np.ndarray,
    nodes: np.ndarray,
    first_width: np.ndarray,
    width_weights: np.ndarray,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    oversample: int,
    order: np.ndarray,
    model_line: np.ndarray,
    model_column: np.ndarray,
    model_half: np.ndarray,
    half: int,
    out: np.ndarray,
    out_variance: np.ndarray,
    lost: np.ndarray,
) -> None:
    n_lines, n_columns = image.shape
    size = 2 * half + 1
    n_width, n_column = width_weights.shape[1], column_weights.shape[1]
    model_size = side = h = end = 0
    near = np.empty((0, 0), nodes.dtype)
    parts = np.empty(1, nodes.dtype)
    stamp = np.empty(1, nodes.dtype)
    own = np.empty(size, np.float32)
    nothing = np.float32(0.0)
    # No more of the model than the cutout holds: each pixel is the same however many there are.
    drawn = np.minimum(model_half, half + REACH)
    for place in range(order.size):
        s = order[place]
        if place == end:
            end, near, parts = begin_run(
                order, place, drawn, nodes, first_width, n_width, first_column, n_column, oversample
            )
            h = drawn[s]
            model_size, side = 2 * h + 1, part_side(h, oversample)
            stamp = np.empty(model_size * side, nodes.dtype)
        blend_place(
            near, nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], h,
            oversample, parts,
        )  # fmt: skip
        # The model is drawn about the pixel of the detection, the cutout about that of the source.
        off_l, off_c = model_line[s] - line[s], model_column[s] - column[s]
        draw_stamp(parts, h, oversample, d_line[s] - off_l, d_column[s] - off_c, stamp)
        typical = variance[min(max(line[s], 0), n_lines - 1), min(max(column[s], 0), n_columns - 1)]
        low = half - h + off_c
        f = np.float32(flux[s])
        left = column[s] - half
        for i in range(size):
            l = line[s] + i - half
            k = i - half + h - off_l
            own[:] = nothing
            if 0 <= k < model_size:
                light = stamp[k * side : (k + 1) * side]
                for j in range(max(low, 0), min(low + model_size, size)):
                    own[j] = f * light[j - low]
            r = s * size + i
            if l < 0 or l >= n_lines:
                out[r] = own
                out_variance[r] = typical
                lost[r] = 1.0
                continue
            for j in range(size):
                c = left + j
                if c < 0 or c >= n_columns or mask[l, c] != 0:
                    out[r, j] = own[j]
                    out_variance[r, j] = typical
                    lost[r, j] = 1.0
                    continue
                others = total[l, c] - own[j]
                out[r, j] = image[l, c] - others
                out_variance[r, j] = variance[l, c] + photon[c] * max(others, nothing)


def isolate_sources(
    image: ArrayLike,
    variance: ArrayLike,
    mask: ArrayLike,
    lines: ArrayLike,
    columns: ArrayLike,
    fluxes: ArrayLike,
    model: PsfModel,
    *,
    which: ArrayLike,
    first_line: int,
    photon_variance: ArrayLike | None,
    half_size: int,
    models: SourceModels | None = None,
) -> Cutouts:
    """Cut out sources, with the models of all other sources subtracted.

    Parameters
    ----------
    image, variance : array_like of shape (lines, columns)
        Sky-subtracted electrons; variance of the background.
    mask : array_like of integers
        Non-zero pixels are filled with the source's own model and counted as lost.
    lines, columns, fluxes : array_like of shape (n,)
        Fitted positions (global lines) and fluxes of *all* sources; NaN flux counts as none.
    model : PsfModel
    which : array_like of int
        The sources to cut out; take some hundreds at a time to bound memory.
    first_line : int
        Global line of the first row.
    photon_variance : array_like of shape (columns,) or None
        Variance per electron of source light; None for 1.
    half_size : int
        Half size of the cutouts, px.
    models : SourceModels or None
        Of all sources, where they are at hand already; None: made here, as far as the point-spread
        model reaches.

    Returns
    -------
    Cutouts
    """
    image = np.ascontiguousarray(image, dtype=np.float32)
    variance = np.ascontiguousarray(variance, dtype=np.float32)
    mask = np.ascontiguousarray(mask).astype(np.uint16, copy=False)
    if image.ndim != 2 or variance.shape != image.shape or mask.shape != image.shape:
        raise ValueError(
            "image, variance, mask: must be two-dimensional and of one shape, got "
            f"{image.shape}, {variance.shape}, {mask.shape}"
        )
    if half_size < 1:
        raise ValueError(f"half_size: must be at least 1, got {half_size}")
    lines, columns, fluxes = (
        np.atleast_1d(np.asarray(a, dtype=float)) for a in (lines, columns, fluxes)
    )
    if models is None:
        models = draw_models(
            (image.shape[0], image.shape[1]), lines, columns, fluxes, model,
            first_line=first_line, half_size=model.half_size,
        )  # fmt: skip
    elif models.image.shape != image.shape:
        raise ValueError(
            f"models: must have the image's shape {image.shape}, got {models.image.shape}"
        )
    which = np.asarray(which, dtype=np.int64)
    n_columns = image.shape[1]
    photon = (
        np.ones(n_columns)
        if photon_variance is None
        else np.ascontiguousarray(photon_variance, dtype=float)
    )
    l, c, f = lines[which], columns[which], np.nan_to_num(fluxes[which])
    at_l, at_c = np.rint(l), np.rint(c)
    size = 2 * half_size + 1
    shape = (which.size * size, size)
    out = np.zeros(shape, dtype=np.float32)
    out_variance = np.zeros(shape, dtype=np.float32)
    lost = np.zeros(shape, dtype=np.float32)
    if which.size:
        s = model.stencil(l, c)
        _cut(
            image, variance, mask, photon.astype(np.float32), models.image,
            (at_l - first_line).astype(np.int64), at_c.astype(np.int64), l - at_l, c - at_c, f,
            s.nodes.astype(np.float32, copy=False), s.first_width, s.width_weights,
            s.first_column, s.column_weights, model.oversample,
            np.lexsort((s.first_width, models.half_size[which], s.first_column)),
            models.line[which] - first_line, models.column[which], models.half_size[which],
            half_size, out, out_variance, lost,
        )  # fmt: skip
    near = np.clip(at_c, 0, n_columns - 1).astype(np.int64)
    return Cutouts(
        image=out,
        variance=out_variance,
        lost=lost,
        d_line=np.clip(l - at_l, -REACH, REACH),
        d_column=np.clip(c - at_c, -REACH, REACH),
        photon=photon[near],
        half_size=half_size,
    )
