"""Point spread of a drift-scan strip: seeing, the star's path, clocking and pixel, in one model.

A star's light is a Moffat profile whose width follows the line, convolved with an optional
Gaussian of the optics whose covariance follows the column, with the path of the star against
its charge packet (a function of the column), with the one-row boxcar of clocking and with the
pixel. All of these are products in Fourier space.

The model is kept as quintic B-spline images at nodes in column and ln(FWHM); between nodes
cubic Lagrange interpolation is used. A position always means the centroid of the path.

References
----------
Moffat 1969, A&A 3, 455.
"""

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray

from pipeline.stages.psf_nodes import (
    WIDTH_STEP,
    NodeStencil,
    interpolate_nodes,
    interpolate_widths,
)
from pipeline.stages.psf_transforms import (
    cut_image,
    fold,
    round_transform,
    spline_transform,
)
from pipeline.stages.spline_kernels import grid_half_size, render_stamp
from pipeline.stages.stamp_kernels import draw_kernels

__all__ = [
    "PathProvider",
    "PsfModel",
    "make_psf_model",
    "place_nodes",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Transfer = Callable[[FloatArray], FloatArray]
PathProvider = Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]

# The periodic box of the transform reaches this far beyond the stamp, so that the wings that wrap
# round lie at least twice this plus the stamp away: below 1e-6 of the peak for beta 2.5, FWHM 3 px.
BOX_MARGIN = 28
MAX_HALF_SIZE = 48
# Cubic interpolation in column leaves 7e-5 of the peak when the extent of the path changes by
# 0.5 px from node to node (measured against direct integration, FWHM 2.2 px).
PATH_STEP = 0.5
MAX_NODE_SPACING = 256
# Below this FWHM in pixels the profile is not band-limited at two grid points per pixel.
FINE_FWHM = 1.8
# What is made of a model's parameters when it is needed, and models whose making is remembered.
_KEPT = ("_grids", "_stacks", "_smears", "_waves")
_MOST_RECALLED = 2  # tens of megabytes each; a task has a strip's model, and it blurred
_RECALLED: dict[bytes, dict[str, dict[Any, Any]]] = {}
_LOCK = threading.Lock()  # workers may have several threads


@dataclass(frozen=True, eq=False)
class PsfModel:
    """Point spread as a function of line and column; make it with `make_psf_model`.

    Attributes
    ----------
    beta : float
        Moffat exponent.
    fwhm_lines, fwhm_values : ndarray
        Seeing FWHM (px) at global lines; linear between, constant outside.
    node_columns : ndarray of shape (m,)
        Columns of the nodes, increasing.
    path_line, path_column, path_weight : ndarray of shape (m, k)
        The star's path about its centroid (px) at the nodes.
    optics : ndarray of shape (3, order + 1)
        Coefficients of the optics' covariance (ll, lc, cc; px^2) in powers of the scaled
        column ``2 (column - middle) / (last node - first node)``.
    half_size : int
        Largest half size of a stamp, px.
    oversample : int
        Grid points per pixel.
    blur : callable or None
        What else the image went through, see `blurred`.
    """

    beta: float
    fwhm_lines: FloatArray
    fwhm_values: FloatArray
    node_columns: FloatArray
    path_line: FloatArray
    path_column: FloatArray
    path_weight: FloatArray
    optics: FloatArray
    half_size: int
    oversample: int
    blur: Transfer | None = None
    # Made when needed. A model that is changed (`dataclasses.replace`) begins without; models that
    # may share some of it say so (`_share`).
    _grids: dict[tuple[int, int], FloatArray] = field(default_factory=dict, init=False, repr=False)
    _stacks: dict[tuple[int, int, str], NDArray] = field(
        default_factory=dict, init=False, repr=False
    )
    # All but the seeing, at the nodes: the same for models that share path and optics.
    _smears: dict[int, ComplexArray] = field(default_factory=dict, init=False, repr=False)
    _waves: dict[int, tuple[FloatArray, FloatArray]] = field(
        default_factory=dict, init=False, repr=False
    )

    def __getstate__(self) -> dict[str, Any]:
        """Everything but the grids, which are made again where they are needed."""
        return {name: value for name, value in self.__dict__.items() if name not in _KEPT}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Restore a pickled model, with the grids that this process has made for its like."""
        self.__dict__.update(state)
        self.__dict__.update(_recall(self))

    def with_seeing(self, beta: float, fwhm: float) -> "PsfModel":
        """The same smear and optics under another seeing, the same all along the strip.

        Parameters
        ----------
        beta : float
            Moffat exponent.
        fwhm : float
            FWHM, px.

        Returns
        -------
        PsfModel
            Shares with this one what does not depend on the seeing.
        """
        model = make_psf_model(
            [0.0], [fwhm], self.node_columns[:1], beta=beta, path=None, optics=None,
            half_size=self.half_size,
        )  # fmt: skip
        same = model.oversample == self.oversample
        changed = replace(
            self, beta=model.beta, fwhm_lines=model.fwhm_lines, fwhm_values=model.fwhm_values,
            oversample=model.oversample,
        )  # fmt: skip
        if same:
            self._share(changed, "_smears", "_waves", *(["_grids"] if beta == self.beta else []))
        return changed

    def along(self, lines: FloatArray, fwhm: FloatArray) -> "PsfModel":
        """The same point spread under a seeing that changes along the strip.

        Parameters
        ----------
        lines, fwhm : ndarray of shape (k,)
            Global lines, increasing, and FWHM in px; not empty.

        Returns
        -------
        PsfModel
            Shares with this one all that was made of it.
        """
        changed = replace(self, fwhm_lines=lines, fwhm_values=fwhm)
        self._share(changed, *_KEPT)
        return changed

    def _share(self, other: "PsfModel", *names: str) -> None:
        """Let another model have, and add to, some of what was made of this one."""
        other.__dict__.update({name: self.__dict__[name] for name in names})

    def blurred(self, transfer: Transfer) -> "PsfModel":
        """What a filter along both axes leaves of this point spread.

        Parameters
        ----------
        transfer : callable
            Real and even: what it leaves of a wave, for frequencies in cycles per pixel along
            either axis. A function of a module, so that the model can travel.

        Returns
        -------
        PsfModel
        """
        blurred = replace(self, blur=transfer)
        blurred.__dict__.update(_recall(blurred))
        return blurred

    # -- parameters ---------------------------------------------------------------------

    def fwhm(self, line: ArrayLike) -> FloatArray:
        """Seeing FWHM (px) at global lines, without smear, clocking and pixel."""
        return np.asarray(
            np.interp(np.asarray(line, dtype=float), self.fwhm_lines, self.fwhm_values)
        )

    def optics_covariance(self, column: ArrayLike) -> FloatArray:
        """Covariance ``(ll, lc, cc)`` of the optics in px^2, shape (3, ...)."""
        x = self.scaled_column(np.asarray(column, dtype=float))
        return np.stack([np.polynomial.polynomial.polyval(x, q) for q in self.optics])

    def scaled_column(self, column: FloatArray) -> FloatArray:
        """Column on the scale of the optics' polynomials: -1 to 1 from first to last node."""
        first, last = self.node_columns[0], self.node_columns[-1]
        return (column - 0.5 * (first + last)) / max(0.5 * (last - first), 1.0)

    def second_moments(self, column: ArrayLike) -> FloatArray:
        """Covariance that smear, optics, clocking and pixel add to the seeing.

        Parameters
        ----------
        column : array_like

        Returns
        -------
        ndarray of shape (3, ...)
            ``ll, lc, cc`` in px^2. The seeing itself is left out: the second moment of a Moffat
            profile is dominated by its wings, and infinite for beta <= 2.
        """
        column = np.asarray(column, dtype=float)
        w = self.path_weight
        path = np.stack(
            [
                np.sum(w * self.path_line**2, axis=1),
                np.sum(w * self.path_line * self.path_column, axis=1),
                np.sum(w * self.path_column**2, axis=1),
            ]
        )
        at = np.stack([np.interp(column, self.node_columns, p) for p in path])
        # Clock and pixel along the line, pixel alone along the columns: 1/12 px^2 each.
        box = np.array([2.0 / 12.0, 0.0, 1.0 / 12.0]).reshape(3, *([1] * column.ndim))
        return at + self.optics_covariance(column) + box

    # -- images -------------------------------------------------------------------------

    def render(self, line: float, column: float, half_size: int) -> FloatArray:
        """Image of a star of unit flux on the pixels around the one nearest to it.

        Parameters
        ----------
        line, column : float
            Position; the line is global.
        half_size : int
            The stamp has ``2 half_size + 1`` pixels a side about pixel
            ``(round(line), round(column))``.

        Returns
        -------
        ndarray of shape (2 half_size + 1, 2 half_size + 1)
        """
        grid = self.blend(line, column, half_size)
        out = np.empty((2 * half_size + 1, 2 * half_size + 1))
        render_stamp(grid, self.oversample, line - round(line), column - round(column), 0, 0, out)
        return out

    def kernel(self, line: float, column: float, half_size: int) -> FloatArray:
        """Image of unit flux centred on the central pixel: the kernel of a matched filter."""
        grid = self.blend(line, column, half_size)
        out = np.empty((2 * half_size + 1, 2 * half_size + 1))
        render_stamp(grid, self.oversample, 0.0, 0.0, 0, 0, out)
        return out

    def kernels(self, lines: ArrayLike, columns: ArrayLike, half_size: int) -> NDArray[np.float32]:
        """As `kernel`, for many places at once.

        Parameters
        ----------
        lines, columns : array_like of shape (n,)
            Global lines, columns.
        half_size : int
            Of the stamps, px; at most that of the model.

        Returns
        -------
        ndarray of float32 of shape (n, 2 half_size + 1, 2 half_size + 1)
        """
        self._check_half_size(half_size)
        s = self.stencil(lines, columns)
        out = np.empty((s.first_width.size, 2 * half_size + 1, 2 * half_size + 1), np.float32)
        draw_kernels(
            np.lexsort((s.first_width, s.first_column)), s.nodes, s.first_width, s.width_weights,
            s.first_column, s.column_weights, self.oversample, out,
        )  # fmt: skip
        return out

    def _check_half_size(self, half_size: int) -> None:
        if not 0 <= half_size <= self.half_size:
            raise ValueError(
                f"half_size: must be between 0 and the model's {self.half_size}, got {half_size}"
            )

    def effective_pixels(self, line: float, column: float) -> float:
        """Noise-equivalent area ``1/sum(P^2)`` in px, averaged over sub-pixel positions."""
        grid = self.blend(line, column, self.half_size)
        out = np.empty((2 * self.half_size + 1,) * 2)
        total = 0.0
        offsets = (-0.375, -0.125, 0.125, 0.375)
        for dl in offsets:
            for dc in offsets:
                render_stamp(grid, self.oversample, dl, dc, 0, 0, out)
                total += float(np.sum(out**2))
        return len(offsets) ** 2 / total

    def stencil(self, lines: ArrayLike, columns: ArrayLike) -> NodeStencil:
        """Grids and weights for a list of positions, for the compiled fits.

        Parameters
        ----------
        lines, columns : array_like of shape (n,)
            Global lines, columns.

        Returns
        -------
        NodeStencil
        """
        return self.stencil_at(np.log(self.fwhm(lines)), columns)

    def stencil_at(self, ln_fwhm: ArrayLike, columns: ArrayLike) -> NodeStencil:
        """As `stencil`, for given ln(FWHM) instead of lines."""
        base, ww = interpolate_widths(ln_fwhm)
        first_column, cw = self.column_stencil(columns)
        low, high = (int(base.min()), int(base.max()) + 3) if base.size else (0, 3)
        # Images of stars hold photons: single precision is far below their noise, and half the
        # memory to walk through for each of them.
        nodes = self.width_nodes(low, high, dtype=np.float32)
        return NodeStencil(nodes, base - low, first_column, ww, cw)

    def column_stencil(self, columns: ArrayLike) -> tuple[NDArray[np.int64], FloatArray]:
        """First node and interpolation weights of each column."""
        return interpolate_nodes(self.node_columns, columns)

    def width_nodes(self, low: int, high: int, *, dtype: DTypeLike = np.float64) -> NDArray:
        """Coefficient grids of the width nodes ``low`` to ``high``, ln(FWHM) = node * WIDTH_STEP.

        Parameters
        ----------
        low, high : int
            First and last node, both included.
        dtype : dtype
            Precision wanted.

        Returns
        -------
        ndarray of shape (high - low + 1, n_column, G, G)
        """
        key = (low, high, np.dtype(dtype).char)
        stack = self._stacks.get(key)
        if stack is None:
            rows = [
                np.stack([self._grid(w, c) for c in range(self.node_columns.size)], dtype=dtype)
                for w in range(low, high + 1)
            ]
            stack = np.stack(rows)
            # One stack is kept: blocks of a strip follow each other in seeing.
            self._stacks.clear()
            self._stacks[key] = stack
        return stack

    def blend(self, line: float, column: float, half_size: int) -> FloatArray:
        """Quintic B-spline coefficients of the image of a star on the centre of a pixel.

        Parameters
        ----------
        line, column : float
            Global line, column.
        half_size : int
            Half size of the stamps that it serves, px.

        Returns
        -------
        ndarray of shape (G, G)
            See `grid_half_size`.
        """
        self._check_half_size(half_size)
        first_width, width_weights = interpolate_widths(np.log(self.fwhm(line)))
        first_column, column_weights = self.column_stencil(column)
        size = 2 * grid_half_size(half_size, self.oversample) + 1
        out = np.zeros((size, size))
        # Node by node: to stack all columns' grids for one place costs far more than the sum.
        for a, along in enumerate(width_weights[0]):
            for b, across in enumerate(column_weights[0]):
                if along * across != 0.0:
                    grid = self._grid(int(first_width[0]) + a, int(first_column[0]) + b)
                    cut = (grid.shape[0] - size) // 2
                    out += along * across * grid[cut : cut + size, cut : cut + size]
        return out

    # -- private ------------------------------------------------------------------------

    def _grid(self, width: int, node: int) -> FloatArray:
        """Quintic B-spline coefficients of one node."""
        key = (width, node)
        if key in self._grids:
            return self._grids[key]
        os_ = self.oversample
        size = 2 * (self.half_size + BOX_MARGIN) * os_
        v = np.fft.rfftfreq(size, 1.0 / os_).astype(np.float64)
        if node not in self._smears:
            self._smears[node] = self.smear_transform(node, size) / spline_transform(size)
        # The seeing is known at frequencies up to the highest of each axis: beyond, it mirrors.
        quarter = self._seeing(width, v)
        transform = self._smears[node] * quarter[fold(size)]
        grid = cut_image(transform, half_size=self.half_size, oversample=os_)
        self._grids[key] = grid
        return grid

    def transform(self, fwhm: float, node: int, size: int) -> NDArray[np.complex128]:
        """Fourier transform of the image of a star on the centre of a pixel, pixel included.

        Parameters
        ----------
        fwhm : float
            Seeing, px.
        node : int
            Which of the column nodes.
        size : int
            Points a side of the periodic box, `oversample` to a pixel; even.

        Returns
        -------
        ndarray of shape (size, size // 2 + 1)
            At the frequencies of ``numpy.fft.rfft2``; 1 at zero.
        """
        v = np.fft.rfftfreq(size, 1.0 / self.oversample).astype(np.float64)
        return round_transform(v, fwhm, self.beta)[fold(size)] * self.smear_transform(node, size)

    def smear_transform(self, node: int, size: int) -> ComplexArray:
        """Transform of all but the seeing at a column node; see `transform`."""
        os_ = self.oversample
        u = np.fft.fftfreq(size, 1.0 / os_)
        v = np.fft.rfftfreq(size, 1.0 / os_).astype(np.float64)
        w = self.path_weight[node]
        wave_u, wave_v = self._sampling(size)
        along = np.exp(-2j * np.pi * np.outer(u, self.path_line[node])) * wave_u[:, None]
        across = np.exp(-2j * np.pi * np.outer(self.path_column[node], v)) * wave_v
        transform: ComplexArray = (along * w) @ across
        q = self.optics_covariance(self.node_columns[node])
        if np.any(q != 0):
            quadratic = q[0] * u[:, None] ** 2 + q[2] * v**2 + 2 * q[1] * u[:, None] * v
            transform *= np.exp(-2 * np.pi**2 * quadratic)
        return transform

    def _sampling(self, size: int) -> tuple[FloatArray, FloatArray]:
        """What pixel, clock and blur leave of the waves of a box along either axis."""
        if size not in self._waves:
            v = np.fft.rfftfreq(size, 1.0 / self.oversample).astype(np.float64)
            # Pixel along both axes, clock along the line.
            across = np.sinc(v) * (1.0 if self.blur is None else self.blur(v))
            along = (across * np.sinc(v))[fold(size)]
            self._waves[size] = along, across
        return self._waves[size]

    def _seeing(self, width: int, frequency: FloatArray) -> FloatArray:
        key = (width, -1)
        if key not in self._grids:
            fwhm = float(np.exp(width * WIDTH_STEP))
            self._grids[key] = round_transform(frequency, fwhm, self.beta)
        return self._grids[key]


def _recall(model: PsfModel) -> dict[str, dict[Any, Any]]:
    """Grids of a model as far as this process has made them, to share.

    The tasks of a strip come with a copy of its model each; to make the grids again for every one
    would take a tenth of their time.
    """
    if model.blur is not None and "<" in model.blur.__qualname__:
        return {name: {} for name in _KEPT}  # not of a module: another may have its name
    values = (getattr(model, f.name) for f in fields(model) if f.name not in _KEPT)
    parts = [
        repr(v.shape).encode() + v.tobytes()
        if isinstance(v, np.ndarray)
        else (f"{v.__module__}.{v.__qualname__}" if callable(v) else repr(v)).encode()
        for v in values
    ]
    token = hashlib.sha256(b"|".join(parts)).digest()
    with _LOCK:
        kept = _RECALLED.pop(token, None) or {name: {} for name in _KEPT}
        _RECALLED[token] = kept
        while len(_RECALLED) > _MOST_RECALLED:
            _RECALLED.pop(next(iter(_RECALLED)))
    return kept


def make_psf_model(
    fwhm_lines: ArrayLike,
    fwhm_values: ArrayLike,
    node_columns: ArrayLike,
    *,
    beta: float,
    path: PathProvider | None,
    optics: ArrayLike | None,
    half_size: int,
) -> PsfModel:
    """Check the parameters and make a model.

    Parameters
    ----------
    fwhm_lines, fwhm_values : array_like of shape (k,)
        Seeing FWHM (px) at increasing global lines.
    node_columns : array_like of shape (m,)
        Columns of the nodes, increasing; see `place_nodes`.
    beta : float
        Moffat exponent, above 1.
    path : callable or None
        Given columns of shape (m,), returns the path's offsets along line and column and its
        weights, each (m, k), px. None: no smear beyond clocking.
    optics : array_like of shape (3, order + 1) or None
        See `PsfModel`.
    half_size : int
        Largest half size of a stamp, px.

    Returns
    -------
    PsfModel

    Raises
    ------
    ValueError
        A parameter has a wrong shape or value.
    """
    lines = np.atleast_1d(np.asarray(fwhm_lines, dtype=float))
    values = np.atleast_1d(np.asarray(fwhm_values, dtype=float))
    columns = np.atleast_1d(np.asarray(node_columns, dtype=float))
    if lines.shape != values.shape or lines.ndim != 1 or np.any(np.diff(lines) <= 0):
        raise ValueError("fwhm_lines: must increase and match fwhm_values one to one")
    if not np.all(np.isfinite(values)) or np.any(values <= 0):
        raise ValueError("fwhm_values: must be positive and finite")
    if np.any(np.diff(columns) <= 0):
        raise ValueError("node_columns: must increase")
    if not beta > 1:
        raise ValueError(f"beta: must be above 1, got {beta}")
    if not 1 <= half_size <= MAX_HALF_SIZE:
        raise ValueError(f"half_size: must be 1 to {MAX_HALF_SIZE} px, got {half_size}")
    if path is None:
        dl = dc = np.zeros((columns.size, 1))
        w = np.ones((columns.size, 1))
    else:
        dl, dc, w = (np.asarray(a, dtype=float) for a in path(columns))
        if not dl.shape == dc.shape == w.shape or dl.shape[0] != columns.size:
            raise ValueError("path: must return three arrays of shape (columns, k)")
        w = w / w.sum(axis=1, keepdims=True)
        # A position means the centroid of the path.
        dl = dl - np.sum(w * dl, axis=1, keepdims=True)
        dc = dc - np.sum(w * dc, axis=1, keepdims=True)
    q = np.zeros((3, 1)) if optics is None else np.asarray(optics, dtype=float)
    if q.ndim != 2 or q.shape[0] != 3:
        raise ValueError(f"optics: must have shape (3, order + 1), got {q.shape}")
    oversample = 2 if values.min() >= FINE_FWHM else 4
    return PsfModel(
        beta=float(beta),
        fwhm_lines=lines,
        fwhm_values=values,
        node_columns=columns,
        path_line=dl,
        path_column=dc,
        path_weight=w,
        optics=q,
        half_size=int(half_size),
        oversample=oversample,
    )


def place_nodes(n_columns: int, *, path: PathProvider | None) -> FloatArray:
    """Evenly spaced node columns, dense enough for the change of the path with column.

    Parameters
    ----------
    n_columns : int
        Columns of the chip.
    path : callable or None
        As in `make_psf_model`.

    Returns
    -------
    ndarray
        From column 0 to the last one, at least 4 nodes (or one per column on tiny chips).
    """
    if n_columns < 1:
        raise ValueError(f"n_columns: must be positive, got {n_columns}")
    intervals = max(3, int(np.ceil((n_columns - 1) / MAX_NODE_SPACING)))
    if path is not None and n_columns > 1:
        probe = np.linspace(0.0, n_columns - 1.0, 33)
        dl, dc, _ = path(probe)
        change = max(float(np.ptp(np.ptp(d, axis=1))) for d in (dl, dc))
        # The along-scan extent falls to the axis and rises again: each path point's own travel.
        travel = max(float(np.max(np.sum(np.abs(np.diff(d, axis=0)), axis=0))) for d in (dl, dc))
        # Both ends of a path travel, so its extent changes by twice that.
        intervals = max(intervals, int(np.ceil(max(change, 2 * travel) / PATH_STEP)))
    return np.linspace(0.0, n_columns - 1.0, min(intervals, max(n_columns - 1, 0)) + 1)
