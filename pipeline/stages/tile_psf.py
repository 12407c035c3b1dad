"""Point spread of a rectified tile: that of its strips, carried through the map and the resampling.

Smear depends on the strip's column, so a tile's point spread changes across the scan (its x) as
the strip's does; seeing changes along the drift (its y).  Images at nodes of a grid hold both:
cubic interpolation in x, linear in y.  They are kept as quintic B-spline coefficients like those
of a strip, so that the strip's compiled fits serve tiles too: "line" is the tile's y, "column" its
x.  `tile_psf_fit` corrects what was predicted by the stars of the tile.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates, spline_filter

from pipeline.stages.epoch_zones import Zone
from pipeline.stages.equalise import EqualisedSpread
from pipeline.stages.psf_model import (
    MAX_NODE_SPACING,
    PsfModel,
)
from pipeline.stages.psf_nodes import NodeStencil, interpolate_nodes
from pipeline.stages.spline_kernels import (
    blend_nodes,
    carry_images,
    grid_half_size,
    render_stamp,
)

__all__ = [
    "OVERSAMPLE",
    "SpreadImages",
    "TilePsf",
    "combine_spreads",
    "equivalent_widths",
    "grid_side",
    "half_size_of",
    "place_tile_nodes",
    "predict_spread",
]

FloatArray = NDArray[np.float64]

OVERSAMPLE = 2  # enough from a FWHM of 1.8 px on, as for the strip's model
_N_Y = 3  # seeing changes little while a tile drifts by
_FEWEST_X = 4  # nodes of a cubic
_FINE = 8  # points per pixel that count the half-peak area: 0.3 % of the FWHM


@dataclass(frozen=True, eq=False)
class SpreadImages:
    """Predicted point spread of one epoch of a tile, or of a stack.

    Attributes
    ----------
    images : ndarray of float32 of shape (n_y, n_x, G, G)
        Flux per tile pixel of a star of unit flux, `OVERSAMPLE` points per pixel, axes (y, x).
    node_y, node_x : ndarray
        Tile pixels of the nodes, increasing.
    """

    images: NDArray[np.float32]
    node_y: FloatArray
    node_x: FloatArray


@dataclass(frozen=True, eq=False)
class TilePsf:
    """Point spread as a function of a tile's x and y; make it with `TilePsf.from_images`.

    Attributes
    ----------
    grids : ndarray of shape (n_y, n_x, G, G)
        Quintic B-spline coefficients at the nodes, axes (y, x).
    node_y, node_x : ndarray
        Tile pixels of the nodes, increasing; constant beyond the outermost in y.
    half_size, oversample : int
        Largest half size of a stamp, px; grid points per pixel.
    n_stars : int
        Stars that corrected it; 0 for a prediction.
    """

    grids: FloatArray
    node_y: FloatArray
    node_x: FloatArray
    half_size: int
    oversample: int
    n_stars: int

    def __repr__(self) -> str:
        return f"TilePsf(fwhm={self.fwhm:.2f} px, n_stars={self.n_stars})"

    @classmethod
    def from_images(cls, spread: SpreadImages, *, half_size: int) -> "TilePsf":
        """Interpolate predicted images.

        Parameters
        ----------
        spread : SpreadImages
            Of side `grid_side` of the half size.
        half_size : int
            Largest half size of a stamp, px.

        Returns
        -------
        TilePsf
        """
        side = grid_side(half_size)
        if spread.images.shape[2:] != (side, side):
            msg = f"images must have {side} points a side, got shape {spread.images.shape}"
            raise ValueError(msg)
        grids = np.empty(spread.images.shape)
        for index in np.ndindex(*grids.shape[:2]):
            grids[index] = spline_filter(spread.images[index].astype(float), 5, mode="mirror")
        return cls(grids, spread.node_y, spread.node_x, half_size, OVERSAMPLE, 0)

    def images(self) -> SpreadImages:
        """What `from_images` would make the same point spread of."""
        at = np.arange(self.grids.shape[2])
        yx = np.stack(np.meshgrid(at, at, indexing="ij"))
        images = np.empty(self.grids.shape, dtype=np.float32)
        for index in np.ndindex(*images.shape[:2]):
            images[index] = map_coordinates(
                self.grids[index], yx, order=5, prefilter=False, mode="mirror"
            )
        return SpreadImages(images, self.node_y, self.node_x)

    @cached_property
    def fwhms(self) -> FloatArray:
        """FWHM with the pixel in px at the nodes' x, mid tile: of circles of the half-peak areas.

        Shape (n_x,).
        """
        at = (np.arange(_FINE) + 0.5) / _FINE - 0.5
        y = float(np.mean(self.node_y[[0, -1]]))
        out = []
        for x in self.node_x:
            grid = self._blend(y, float(x), self.half_size)
            fine = np.array([[self._stamp(grid, a, b, self.half_size) for b in at] for a in at])
            peak = self._stamp(grid, 0.0, 0.0, 0)[0, 0]
            out.append(2.0 * np.sqrt((fine > 0.5 * peak).sum() / np.pi) / _FINE)
        return np.array(out)

    @property
    def fwhm(self) -> float:
        """Median of `fwhms`, px."""
        return float(np.median(self.fwhms))

    def render(self, x: float, y: float, half: int) -> FloatArray:
        """Image of a star of unit flux on the pixels around the one nearest to it.

        Parameters
        ----------
        x, y : float
            Position, tile px along axes 1 and 0.
        half : int
            The stamp has ``2 half + 1`` pixels a side about ``(round(y), round(x))``.

        Returns
        -------
        ndarray of shape (2 half + 1, 2 half + 1)
        """
        if not 0 <= half <= self.half_size:
            msg = f"half must be 0 to the model's {self.half_size}, got {half}"
            raise ValueError(msg)
        grid = self._blend(y, x, half)
        return self._stamp(grid, y - np.rint(y), x - np.rint(x), half)

    def kernel(self, x: float, y: float, size: int) -> FloatArray:
        """Image of unit flux centred on its central pixel: the kernel of a matched filter.

        Parameters
        ----------
        x, y : float
            Where in the tile.
        size : int
            Side in px, odd.

        Returns
        -------
        ndarray of shape (size, size)
        """
        if size % 2 == 0 or not 1 <= size <= 2 * self.half_size + 1:
            msg = f"size must be odd and at most {2 * self.half_size + 1}, got {size}"
            raise ValueError(msg)
        return self._stamp(self._blend(y, x, size // 2), 0.0, 0.0, size // 2)

    def stencil(self, lines: ArrayLike, columns: ArrayLike) -> NodeStencil:
        """Grids and weights of positions, for the compiled fits of strips.

        Parameters
        ----------
        lines, columns : array_like of shape (n,)
            Tile y and x.

        Returns
        -------
        NodeStencil
        """
        y = np.atleast_1d(np.asarray(lines, dtype=float))
        x = np.atleast_1d(np.asarray(columns, dtype=float))
        y, x = np.broadcast_arrays(y, x)
        last = max(self.node_y.size - 2, 0)
        first_y = np.clip(np.searchsorted(self.node_y, y, side="right") - 1, 0, last)
        if self.node_y.size > 1:
            step = self.node_y[first_y + 1] - self.node_y[first_y]
            t = np.clip((y - self.node_y[first_y]) / step, 0.0, 1.0)
            weights = np.stack([1.0 - t, t], axis=1)
        else:
            weights = np.ones((y.size, 1))
        first_x, x_weights = interpolate_nodes(self.node_x, x)
        return NodeStencil(
            nodes=self.grids,
            first_width=first_y.astype(np.int64),
            first_column=first_x,
            width_weights=weights,
            column_weights=x_weights,
        )

    def _blend(self, y: float, x: float, half: int) -> FloatArray:
        s = self.stencil(y, x)
        side = grid_side(half)
        grid = np.empty((side, side))
        blend_nodes(
            s.nodes,
            int(s.first_width[0]),
            s.width_weights[0],
            int(s.first_column[0]),
            s.column_weights[0],
            grid,
        )
        return grid

    def _stamp(self, grid: FloatArray, dy: float, dx: float, half: int) -> FloatArray:
        out = np.empty((2 * half + 1, 2 * half + 1))
        render_stamp(grid, self.oversample, float(dy), float(dx), 0, 0, out)
        return out


def grid_side(half_size: int) -> int:
    """Points a side of the images that serve stamps of a half size.

    Parameters
    ----------
    half_size : int
        Half size of the stamps, px.

    Returns
    -------
    int
    """
    return int(2 * grid_half_size(half_size, OVERSAMPLE) + 1)


def half_size_of(spread: SpreadImages) -> int:
    """Largest half size of a stamp that images serve: the inverse of `grid_side`, px."""
    return (spread.images.shape[2] - grid_side(0)) // (2 * OVERSAMPLE)


def equivalent_widths(spread: SpreadImages, rows: ArrayLike) -> FloatArray:
    """Width of a point spread along a tile, from the area that its noise comes from.

    Parameters
    ----------
    spread : SpreadImages
    rows : array_like of shape (n,)
        Tile y.

    Returns
    -------
    ndarray of shape (n,)
        ``(sum P**2)**-0.5`` in px, mean of the x nodes: for profiles of one form in proportion to
        the FWHM.
    """
    area = OVERSAMPLE**2 / np.sum(spread.images.astype(float) ** 2, axis=(2, 3))
    return np.interp(np.asarray(rows, dtype=float), spread.node_y, np.sqrt(area).mean(axis=1))


def place_tile_nodes(psf: PsfModel, size: int) -> tuple[FloatArray, FloatArray]:
    """Nodes of a tile that follow a strip's point spread.

    Parameters
    ----------
    psf : PsfModel
        Of the strip: its column nodes stand where its smear asks for them.
    size : int
        Pixels a side of the tile.

    Returns
    -------
    node_y, node_x : ndarray
        Tile pixels.
    """
    spacing = float(np.diff(psf.node_columns).mean()) if psf.node_columns.size > 1 else np.inf
    n_x = max(_FEWEST_X, int(np.ceil((size - 1) / min(spacing, MAX_NODE_SPACING))) + 1)
    return np.linspace(0.0, size - 1.0, _N_Y), np.linspace(0.0, size - 1.0, n_x)


def predict_spread(
    psf: PsfModel | EqualisedSpread,
    node_y: FloatArray,
    node_x: FloatArray,
    line: FloatArray,
    column: FloatArray,
    jacobian: FloatArray,
    *,
    half_size: int,
) -> SpreadImages:
    """Point spread of a strip as its resampling onto a tile shows it.

    Parameters
    ----------
    psf : PsfModel or EqualisedSpread
        Of the strip's lines, with what the resampling's kernel makes of it along their axes:
        `PsfModel.blurred` with `kernel_transfer`, or `Equaliser.spread`.
    node_y, node_x : ndarray of shape (n_y,), (n_x,)
        Tile pixels of the nodes.
    line, column : ndarray of shape (n_y, n_x)
        Strip pixels there.
    jacobian : ndarray of shape (n_y, n_x, 2, 2)
        Change of (line, column) with (y, x).
    half_size : int
        Largest half size of a stamp, tile px.

    Returns
    -------
    SpreadImages
    """
    shape = (node_y.size, node_x.size)
    if line.shape != shape or column.shape != shape or jacobian.shape != (*shape, 2, 2):
        msg = (
            f"line, column and jacobian must have shape {shape}, "
            f"got {line.shape}, {column.shape} and {jacobian.shape}"
        )
        raise ValueError(msg)
    side = grid_side(half_size)
    images = np.empty((line.size, side, side))
    s = psf.stencil(line.ravel(), column.ravel())
    carry_images(
        s.nodes, s.first_width, s.width_weights, s.first_column, s.column_weights,
        psf.oversample / OVERSAMPLE, np.ascontiguousarray(jacobian).reshape(-1, 2, 2), images,
    )  # fmt: skip
    stamps = images.reshape(*shape, side, side).astype(np.float32)
    return SpreadImages(stamps, node_y, node_x)


def combine_spreads(
    spreads: list[SpreadImages], weights: ArrayLike, *, zones: Sequence[Zone] = ()
) -> SpreadImages:
    """Point spread of a weighted sum of epochs.

    Parameters
    ----------
    spreads : list of SpreadImages
        Of the epochs; their nodes may differ in number.
    weights : array_like of shape (n_epochs,)
        Weights of the sum; scaled to unit sum here.
    zones : sequence of Zone, optional
        Where which epochs contribute (`find_zones`): the point spread jumps from zone to zone.
        Without them all epochs do everywhere.

    Returns
    -------
    SpreadImages
        At the x nodes of the epoch that has most of them; at the y nodes of any epoch, and at both
        ends of every zone.

    Raises
    ------
    ValueError
        If no weight is positive, or numbers disagree.
    """
    share = np.asarray(weights, dtype=float)
    if share.size != len(spreads) or not (share >= 0).all() or not share.sum() > 0:
        msg = f"weights must be {len(spreads)} numbers, none negative, not all zero, got {share}"
        raise ValueError(msg)
    node_x = max(spreads, key=lambda s: s.node_x.size).node_x
    node_y = np.unique(np.concatenate([s.node_y for s in spreads]))
    parts = [(node_y, share)]
    used = [z for z in zones if share[z.present].sum() > 0]
    if len(used) == 1:
        parts = [(node_y, np.where(used[0].present, share, 0.0))]
    elif used:
        parts = [
            (_zone_nodes(node_y, zone, k == 0, k == len(used) - 1), share * zone.present)
            for k, zone in enumerate(used)
        ]
    images, at = [], []
    for nodes, part in parts:
        total = np.zeros((nodes.size, node_x.size, *spreads[0].images.shape[2:]))
        for spread, weight in zip(spreads, part / part.sum(), strict=True):
            if weight > 0:
                total += weight * _at_nodes(spread, nodes, node_x)
        images.append(total.astype(np.float32))
        at.append(nodes)
    return SpreadImages(np.concatenate(images), np.concatenate(at), node_x)


def _zone_nodes(node_y: FloatArray, zone: Zone, is_first: bool, is_last: bool) -> FloatArray:
    """Nodes of a zone: its ends, a quarter of a pixel within its border, and those between."""
    low = node_y[0] if is_first else zone.first - 0.25
    high = node_y[-1] if is_last else zone.stop - 0.75
    inside = node_y[(node_y > low + 1.0) & (node_y < high - 1.0)]
    return np.concatenate([[min(low, high)], inside, [max(low, high)]])


def _at_nodes(spread: SpreadImages, node_y: FloatArray, node_x: FloatArray) -> FloatArray:
    """Images interpolated to other nodes: linear in y, cubic in x."""
    images = spread.images.astype(float)
    if spread.node_y.size > 1 and not np.array_equal(spread.node_y, node_y):
        k = np.clip(np.searchsorted(spread.node_y, node_y) - 1, 0, spread.node_y.size - 2)
        t = (node_y - spread.node_y[k]) / (spread.node_y[k + 1] - spread.node_y[k])
        t = np.clip(t, 0.0, 1.0)[:, None, None, None]
        images = (1.0 - t) * images[k] + t * images[k + 1]
    elif spread.node_y.size == 1:
        images = np.repeat(images, node_y.size, axis=0)
    if not np.array_equal(spread.node_x, node_x):
        first, w = interpolate_nodes(spread.node_x, node_x)
        images = sum(w[:, k, None, None] * images[:, first + k] for k in range(w.shape[1]))
    return np.asarray(images)
