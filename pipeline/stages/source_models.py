"""Images of sources as the point-spread model has them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stages.psf_kernels import add_models
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.psf_nodes import NodeStencil

__all__ = ["SourceModels", "draw_models", "make_model_image", "order_nodes"]


@dataclass(frozen=True)
class SourceModels:
    """Models of all sources of a block, as they were fitted.

    Attributes
    ----------
    image : ndarray of float32, shape (lines, columns)
        Their sum, electrons.
    line, column : ndarray of int64, shape (n,)
        Pixel (global line) about which each source's model is drawn.
    half_size : ndarray of int64, shape (n,)
        How far from there it is drawn, px.
    """

    image: NDArray[np.float32]
    line: NDArray[np.int64]
    column: NDArray[np.int64]
    half_size: NDArray[np.int64]


def order_nodes(
    s: NodeStencil, rank: NDArray[np.intp]
) -> tuple[NDArray, NDArray, NDArray, NDArray, NDArray]:
    """Grids and weights of sources in an order, as the arguments of the compiled loops."""
    nodes = s.nodes.astype(np.float32, copy=False)
    return (
        nodes, s.first_width[rank], s.width_weights[rank], s.first_column[rank],
        s.column_weights[rank],
    )  # fmt: skip


def draw_models(
    shape: tuple[int, int],
    lines: ArrayLike,
    columns: ArrayLike,
    fluxes: ArrayLike,
    model: PsfModel,
    *,
    first_line: int,
    half_size: int,
) -> SourceModels:
    """Models of sources that were not fitted here; see `make_model_image`.

    Returns
    -------
    SourceModels
    """
    at = [
        np.rint(np.nan_to_num(np.atleast_1d(np.asarray(a, dtype=float)))) for a in (lines, columns)
    ]
    image = make_model_image(
        shape, lines, columns, fluxes, model, first_line=first_line, half_size=half_size
    )
    half = np.full(at[0].size, half_size, dtype=np.int64)
    return SourceModels(image, at[0].astype(np.int64), at[1].astype(np.int64), half)


def make_model_image(
    shape: tuple[int, int],
    lines: ArrayLike,
    columns: ArrayLike,
    fluxes: ArrayLike,
    model: PsfModel,
    *,
    first_line: int,
    half_size: int,
) -> NDArray[np.float32]:
    """Sum of the models of all sources, electrons.

    Parameters
    ----------
    shape : tuple of int
        Lines and columns of the image.
    lines, columns, fluxes : array_like of shape (n,)
        Global positions and fluxes; sources with a NaN flux are left out.
    model : PsfModel
    first_line : int
        Global line of the first row.
    half_size : int
        Half size of each source's stamp.

    Returns
    -------
    ndarray of float32
    """
    if not 0 < half_size <= model.half_size:
        raise ValueError(f"half_size: must be 1 to {model.half_size}, got {half_size}")
    l = np.atleast_1d(np.asarray(lines, dtype=float))
    c = np.atleast_1d(np.asarray(columns, dtype=float))
    f = np.atleast_1d(np.asarray(fluxes, dtype=float))
    good = np.isfinite(f) & np.isfinite(l) & np.isfinite(c)
    l, c, f = l[good], c[good], f[good]
    total = np.zeros(shape, np.float32)
    if l.size:
        s = model.stencil(l, c)
        rank = np.lexsort((c, l, s.first_column))
        l, c, f = l[rank], c[rank], f[rank]
        at_l, at_c = np.rint(l), np.rint(c)
        add_models(
            total, np.arange(l.size), (at_l - first_line).astype(np.int64), at_c.astype(np.int64),
            l - at_l, c - at_c, f, np.full(l.size, half_size, dtype=np.int64),
            *order_nodes(s, rank), model.oversample,
        )  # fmt: skip
    return total
