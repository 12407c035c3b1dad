"""Point spread of a stacked tile: a sum of elliptical Moffat profiles, linear along y.

It is held as quintic B-spline images like that of a strip, so the strip's compiled fits serve tiles
too: their "line" is the tile's y, their "column" its x.  `tile_psf_fit` learns it from stars.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import spline_filter

from pipeline.stages.psf_model import NodeStencil
from pipeline.stages.spline_kernels import grid_half_size, render_stamp

__all__ = [
    "OVERSAMPLE",
    "SINGLE",
    "Mixture",
    "TilePsf",
    "make_tile_psf",
    "mix_epochs",
    "spread_grid",
]

FloatArray = NDArray[np.float64]

Mixture = tuple[tuple[float, float], ...]
"""Weights of unit sum, each with the width of its profile relative to the mean."""
SINGLE: Mixture = ((1.0, 1.0),)

OVERSAMPLE = 2  # enough from a FWHM of 1.8 px on, as for the strip's model
_NODE, _NODE_WEIGHT = np.polynomial.legendre.leggauss(4)
_FINE = 8  # points per pixel that count the half-peak area: 0.3 % of the FWHM


@dataclass(frozen=True, eq=False)
class TilePsf:
    """Point spread of a tile; make it with `fit_tile_psf` or `make_tile_psf`.

    Attributes
    ----------
    grids : ndarray of shape (2, G, G)
        Quintic B-spline coefficients at the two nodes, axes (y, x).
    node_y : tuple of float
        Tile y of the nodes; the model is linear between and constant outside.
    half_size, oversample : int
        Largest half size of a stamp, px; grid points per pixel.
    beta : float
        Moffat exponent of the profile without its correction.
    n_stars : int
        Stars fitted; 0 for an expected profile.
    """

    grids: FloatArray
    node_y: tuple[float, float]
    half_size: int
    oversample: int
    beta: float
    n_stars: int

    def __repr__(self) -> str:
        return f"TilePsf(fwhm={self.fwhm:.2f} px, beta={self.beta:.2f}, n_stars={self.n_stars})"

    @property
    def fwhm(self) -> float:
        """FWHM of the mean profile with the pixel, px: that of a circle of its half-peak area."""
        middle = 0.5 * (self.node_y[0] + self.node_y[1])
        at = (np.arange(_FINE) + 0.5) / _FINE - 0.5
        fine = np.array([[self._stamp(middle, a, b, self.half_size) for b in at] for a in at])
        peak = self._stamp(middle, 0.0, 0.0, 0)[0, 0]
        return float(2.0 * np.sqrt((fine > 0.5 * peak).sum() / np.pi) / _FINE)

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
        return self._stamp(y, y - np.rint(y), x - np.rint(x), half)

    def kernel(self, size: int, *, y: float | None = None) -> FloatArray:
        """Image of unit flux centred on its central pixel: the kernel of a matched filter.

        Parameters
        ----------
        size : int
            Side in px, odd.
        y : float, optional
            Where in the tile; the middle between the nodes by default.

        Returns
        -------
        ndarray of shape (size, size)
        """
        if size % 2 == 0 or not 1 <= size <= 2 * self.half_size + 1:
            msg = f"size must be odd and at most {2 * self.half_size + 1}, got {size}"
            raise ValueError(msg)
        at = 0.5 * (self.node_y[0] + self.node_y[1]) if y is None else y
        return self._stamp(at, 0.0, 0.0, size // 2)

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
        t = self._fraction(np.atleast_1d(np.asarray(lines, dtype=float)))
        n = np.broadcast_shapes(t.shape, np.atleast_1d(columns).shape)[0]
        none = np.zeros(n, dtype=np.int64)
        weights = np.stack([1.0 - t, t], axis=1)
        return NodeStencil(
            nodes=self.grids[:, None],
            first_width=none,
            first_column=none,
            width_weights=weights,
            width_slopes=np.zeros_like(weights),
            column_weights=np.ones((n, 1)),
        )

    def _fraction(self, y: FloatArray) -> FloatArray:
        low, high = self.node_y
        return np.clip((y - low) / max(high - low, 1.0), 0.0, 1.0)

    def _stamp(self, y: float, dy: float, dx: float, half: int) -> FloatArray:
        t = float(self._fraction(np.array(y)))
        grid = (1.0 - t) * self.grids[0] + t * self.grids[1]
        out = np.empty((2 * half + 1, 2 * half + 1))
        render_stamp(grid, self.oversample, float(dy), float(dx), 0, 0, out)
        return out


def mix_epochs(
    weights: ArrayLike, fwhm: ArrayLike, *, components: int = 3
) -> tuple[float, Mixture]:
    """Few profiles that stand for the sum of all epochs.

    Parameters
    ----------
    weights, fwhm : array_like of shape (n_epochs,)
        Weights of the stack, and seeing of the epochs, px.
    components : int, optional
        Most profiles to use; epochs of neighbouring FWHM are put together.

    Returns
    -------
    mean_fwhm : float
        Weighted mean FWHM, px.
    mixture : Mixture
    """
    share: FloatArray = np.asarray(weights, dtype=float)
    width: FloatArray = np.asarray(fwhm, dtype=float)
    use = np.isfinite(share) & (share > 0)
    if not use.any() or not (width[use] > 0).all():
        msg = f"weights and fwhm must hold positive values, got {share} and {width}"
        raise ValueError(msg)
    share, width = share[use] / share[use].sum(), width[use]
    mean = float((share * width).sum())
    low, high = width.min(), width.max()
    step = max(high - low, 1e-9) / components
    group = np.minimum(((width - low) / step).astype(int), components - 1)
    parts = []
    for k in np.unique(group):
        w = float(share[group == k].sum())
        parts.append((w, float((share * width)[group == k].sum() / w / mean)))
    return mean, tuple(parts)


def make_tile_psf(
    *,
    fwhm: float,
    beta: float,
    ny: int,
    half_size: int,
    ellipticity: tuple[float, float] = (0.0, 0.0),
    mixture: Mixture = SINGLE,
) -> TilePsf:
    """Point spread of given form.

    Parameters
    ----------
    fwhm : float
        FWHM before integration over pixels, geometric mean of the two axes, px.
    beta : float
        Moffat exponent, above 1.
    ny : int
        Rows of the tile.
    half_size : int
        Largest half size of a stamp, px.
    ellipticity : tuple of float, optional
        e1 > 0 stretches along x by ``exp(e1 / 2)`` and squeezes y; e2 likewise along the diagonal.
    mixture : Mixture, optional
        Weights and relative widths, see `mix_epochs`; a single profile by default.

    Returns
    -------
    TilePsf
    """
    if not fwhm > 0 or not beta > 1:
        msg = f"fwhm must be positive and beta above 1, got {fwhm} and {beta}"
        raise ValueError(msg)
    one = spread_grid(np.array([np.log(fwhm), *ellipticity, np.log(beta - 1)]), half_size, mixture)
    return TilePsf(np.stack([one, one]), (0.0, float(ny - 1)), half_size, OVERSAMPLE, beta, 0)


def spread_grid(shape: FloatArray, half_size: int, mixture: Mixture) -> FloatArray:
    """Spline coefficients of pixel-integrated elliptical Moffat profiles of unit total flux.

    Parameters
    ----------
    shape : ndarray of shape (4,)
        ln(FWHM / px), e1, e2 and ln(beta - 1); see `make_tile_psf`.
    half_size : int
        Half size of the stamps it is to serve, px.
    mixture : Mixture
        Weights and relative widths.

    Returns
    -------
    ndarray of shape (G, G)
        Grid steps of ``1 / OVERSAMPLE`` px.
    """
    ln_fwhm, e1, e2, ln_beta = shape
    beta = 1.0 + np.exp(ln_beta)
    core2 = np.exp(2 * ln_fwhm) / (4 * (2 ** (1 / beta) - 1))
    e = np.hypot(e1, e2)
    # inverse of the matrix exponential of the shear; its determinant is one
    ratio = np.sinh(e) / e if e > 1e-12 else 1.0
    xx, yy, xy = np.cosh(e) - ratio * e1, np.cosh(e) + ratio * e1, -ratio * e2
    half = grid_half_size(half_size, OVERSAMPLE)
    at = np.arange(-half, half + 1) / OVERSAMPLE
    total = np.zeros((at.size, at.size))
    for a, wa in zip(_NODE, _NODE_WEIGHT, strict=True):
        dy = (at + a / 2)[:, None]
        for b, wb in zip(_NODE, _NODE_WEIGHT, strict=True):
            dx = (at + b / 2)[None, :]
            r2 = (xx * dx * dx + 2 * xy * dx * dy + yy * dy * dy) / core2
            for weight, width in mixture:
                scale = wa * wb / 4 * weight * (beta - 1) / (np.pi * core2 * width**2)
                total += scale * np.exp(-beta * np.log1p(r2 / width**2))
    return np.asarray(spline_filter(total, order=5, mode="mirror"))
