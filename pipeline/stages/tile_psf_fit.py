"""Learn the point spread of a stacked tile from its own stars.

A stack is a sum of many nights' point spreads, resampled, so its form is roughly known: a sum of
elliptical Moffat profiles with the weights and relative widths of the nights, integrated over
pixels.  Its common width and shape, which may change linearly along the tile's y axis
(declination), and its exponent are fitted to all chosen stars together.  What it leaves in the core
is fitted by a spline image of twice the sampling (the idea of an effective point spread: Anderson &
King 2000, PASP 112, 1360), shrunk towards zero by a prior in proportion to the profile: with few
stars the Moffat profiles remain, with many the data decide.  With too few stars a round profile
of the expected FWHM is used.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve

from pipeline.stages.psf_stars import cut_stamps
from pipeline.stages.spline_kernels import REACH, grid_half_size, render_stamp
from pipeline.stages.tile_psf import (
    OVERSAMPLE,
    SINGLE,
    Mixture,
    TilePsf,
    make_tile_psf,
    spread_grid,
)
from pipeline.stages.tile_psf_kernels import add_residual_normal

__all__ = ["TilePsfOptions", "fit_tile_psf"]

FloatArray = NDArray[np.float64]

_N_SHAPE = 7  # two nodes of (ln FWHM, e1, e2), then ln(beta - 1)
_STEPS = np.array([1e-3, 1e-3, 1e-3, 1e-2])  # of the differences that give derivatives
_LIMITS = np.array([0.15] * 6 + [0.5])  # largest change of a parameter in one iteration
_NODE_PRIOR = 0.1  # spread of the difference of the two nodes: nights share their declination
_BETA_PRIOR = (np.log(2.0), 0.7)  # beta = 3 and, at one standard deviation, 2 and 5


@dataclass(frozen=True)
class TilePsfOptions:
    """Tuning of the fit.

    Parameters
    ----------
    radius : float
        Pixels within this distance of a star are fitted, px.
    half_size : int
        Half size of the model, px.
    min_stars : int
        With fewer stars the expected round profile is used.
    residual_radius : float
        The correction reaches this far, px; beyond, light is faint and the profile's form decides.
    min_residual_stars : int
        With fewer stars the Moffat profile is not corrected.
    max_stars : int
        The brightest ones are taken.
    model_error : float
        Expected error of the profile, relative to the model, per pixel.
    sky_error : float
        Prior standard deviation of the sky left under a star, in units of a pixel's noise.
    residual_share : float
        Prior standard deviation of the correction, relative to the profile.
    default_beta : float
        Moffat exponent of the expected profile.
    iterations : int
        Newton steps of the common fit.
    clip : float
        Stars whose misfit per pixel exceeds the median by this factor are dropped.
    """

    radius: float = 12.0
    half_size: int = 16
    min_stars: int = 4
    residual_radius: float = 6.0
    min_residual_stars: int = 8
    max_stars: int = 150
    model_error: float = 0.01
    sky_error: float = 0.05
    residual_share: float = 0.03
    default_beta: float = 3.0
    iterations: int = 12
    clip: float = 4.0

    def __post_init__(self) -> None:
        if not 3 <= self.radius <= self.half_size:
            msg = f"radius must be 3 px to half_size = {self.half_size}, got {self.radius}"
            raise ValueError(msg)
        if not 2 <= self.residual_radius <= self.radius:
            msg = (
                f"residual_radius must be 2 px to radius = {self.radius}, "
                f"got {self.residual_radius}"
            )
            raise ValueError(msg)
        for name in ("min_stars", "min_residual_stars", "max_stars", "iterations"):
            if getattr(self, name) < 1:
                msg = f"{name} must be at least 1, got {getattr(self, name)}"
                raise ValueError(msg)
        for name in ("model_error", "residual_share", "sky_error", "clip"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be positive, got {getattr(self, name)}"
                raise ValueError(msg)
        if not self.default_beta > 1:
            msg = f"default_beta must be above 1, got {self.default_beta}"
            raise ValueError(msg)


def fit_tile_psf(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    x: ArrayLike,
    y: ArrayLike,
    star_flux: ArrayLike,
    *,
    photon_variance: float,
    expected_fwhm: float,
    options: TilePsfOptions,
    mixture: Mixture = SINGLE,
) -> TilePsf:
    """Fit the point spread to isolated stars.

    Parameters
    ----------
    flux, variance : ndarray of shape (ny, nx), float32
        Sky-subtracted tile and its background variance.
    mask : ndarray of shape (ny, nx), uint16
        Nonzero is bad.
    x, y, star_flux : array_like of shape (n,)
        Bright isolated stars: approximate positions and fluxes.
    photon_variance : float
        Variance per unit flux of the stars' own light.
    expected_fwhm : float
        First guess of the FWHM, and the result with too few stars, px.
    options : TilePsfOptions
        Tuning.
    mixture : Mixture, optional
        Weights and relative widths of the epochs, see `mix_epochs`; a single profile by default.

    Returns
    -------
    TilePsf
        Its ``n_stars`` tells how many stars decided; 0 when there were too few.
    """
    x, y, star_flux = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (x, y, star_flux))
    ny = flux.shape[0]
    expected = make_tile_psf(
        fwhm=expected_fwhm,
        beta=options.default_beta,
        ny=ny,
        half_size=options.half_size,
        mixture=mixture,
    )
    usable = np.flatnonzero(np.isfinite(star_flux) & (star_flux > 0))
    chosen = np.sort(usable[np.argsort(-star_flux[usable], kind="stable")[: options.max_stars]])
    stars = _Stars(
        flux,
        variance,
        mask,
        x[chosen],
        y[chosen],
        star_flux[chosen],
        photon_variance,
        options,
        mixture,
    )
    shape = np.array([np.log(expected_fwhm), 0.0, 0.0] * 2 + [np.log(options.default_beta - 1.0)])
    for iteration in range(options.iterations):
        if stars.use.sum() < options.min_stars:
            return expected
        step = stars.newton(shape)
        shape = shape + np.clip(step, -_LIMITS, _LIMITS)
        shape[6] = np.clip(shape[6], np.log(0.5), np.log(14.0))
        if iteration in (4, 8):
            stars.drop_misfits()
        if iteration > 8 and np.abs(step).max() < 1e-4:
            break
    if stars.use.sum() < options.min_stars:
        return expected
    beta = 1.0 + float(np.exp(shape[6]))
    base = _node_grids(shape, options.half_size, mixture)
    grids = base
    if stars.use.sum() >= options.min_residual_stars:
        for _ in range(2):
            grids = base + _embed(stars.fit_residual(base, grids), base.shape[1])
            total = grids.sum(axis=(1, 2)) - base.sum(axis=(1, 2))
            grids = grids / (1.0 + total / OVERSAMPLE**2)[:, None, None]
    return TilePsf(
        grids, (0.0, float(ny - 1)), options.half_size, OVERSAMPLE, beta, int(stars.use.sum())
    )


class _Stars:
    """The stars of a fit with their current fluxes, positions and backgrounds."""

    def __init__(
        self,
        flux: NDArray[np.float32],
        variance: NDArray[np.float32],
        mask: NDArray[np.uint16],
        x: FloatArray,
        y: FloatArray,
        star_flux: FloatArray,
        photon_variance: float,
        options: TilePsfOptions,
        mixture: Mixture,
    ) -> None:
        self.half = int(np.ceil(options.radius))
        bad = (mask != 0) | ~np.isfinite(flux) | ~(variance > 0)
        self.data, noise = cut_stamps(flux, variance, bad, y, x, first_line=0, half_size=self.half)
        at = np.arange(-self.half, self.half + 1)
        outside = at[:, None] ** 2 + at**2 > options.radius**2
        self.noise = np.where(outside, np.inf, noise.astype(float))
        whole = np.isfinite(self.noise).sum(axis=(1, 2)) >= 0.98 * (~outside).sum()
        self.use = whole & np.isfinite(self.noise[:, self.half, self.half])
        # flux, dy, dx relative to the stamp's central pixel, background
        self.local = np.stack([star_flux, y - np.rint(y), x - np.rint(x), np.zeros(x.size)], axis=1)
        self.weight = np.clip(y / max(flux.shape[0] - 1, 1), 0.0, 1.0)
        self.misfit = np.full(x.size, np.nan)
        self.photon_variance = photon_variance
        self.options = options
        self.mixture = mixture

    def newton(self, shape: FloatArray) -> FloatArray:
        """Improve every star and return the step of the common parameters."""
        size = self.options.half_size
        base = _node_grids(shape, size, self.mixture)
        slopes = _node_slopes(shape, base, size, self.mixture)
        normal, right = np.zeros((_N_SHAPE, _N_SHAPE)), np.zeros(_N_SHAPE)
        for s in np.flatnonzero(self.use).tolist():
            t = self.weight[s]
            star = (1 - t) * base[0] + t * base[1]
            local, residual, w = self._linearise(s, star)
            dy, dx = self.local[s, 1:3]
            f = self.local[s, 0]
            common = np.empty((_N_SHAPE, residual.size))
            for k in range(3):
                change = f * self._image(slopes[0, k], dy, dx)[w > 0]
                common[k] = (1 - t) * change
                change = f * self._image(slopes[1, k], dy, dx)[w > 0]
                common[3 + k] = t * change
            grid = (1 - t) * slopes[0, 3] + t * slopes[1, 3]
            common[6] = f * self._image(grid, dy, dx)[w > 0]
            v = w[w > 0]
            own, pull = self._solve_own(s, local, residual, v)
            cross = (common * v) @ local.T
            normal += (common * v) @ common.T - cross @ own @ cross.T
            right += (common * v) @ residual - cross @ own @ pull
            self._move(s, own @ pull)
            self.misfit[s] = (v * residual**2).sum() / residual.size
        for k in range(3):
            weight = 1 / _NODE_PRIOR**2
            normal[k, k] += weight
            normal[k + 3, k + 3] += weight
            normal[k, k + 3] -= weight
            normal[k + 3, k] -= weight
            gap = shape[k + 3] - shape[k]
            right[k] += weight * gap
            right[k + 3] -= weight * gap
        normal[6, 6] += 1 / _BETA_PRIOR[1] ** 2
        right[6] -= (shape[6] - _BETA_PRIOR[0]) / _BETA_PRIOR[1] ** 2
        return np.asarray(np.linalg.solve(normal, right))

    def drop_misfits(self) -> None:
        """Leave out stars that do not look like the others: blends, galaxies, defects."""
        middle = np.median(self.misfit[self.use])
        self.use = self.use & (self.misfit <= self.options.clip * max(middle, 1.0))

    def fit_residual(self, base: FloatArray, grids: FloatArray) -> FloatArray:
        """Spline coefficients of what the base profile leaves, by shrunk least squares."""
        reach = int(np.ceil(self.options.residual_radius))
        g = 2 * grid_half_size(reach, OVERSAMPLE) + 1
        at = np.arange(-self.half, self.half + 1)
        inside = at[:, None] ** 2 + at**2 <= self.options.residual_radius**2
        cut_stamp = slice(self.half - reach, self.half + reach + 1)
        normal, right = np.zeros((g * g, g * g)), np.zeros(g * g)
        for s in np.flatnonzero(self.use).tolist():
            t = self.weight[s]
            star = (1 - t) * grids[0] + t * grids[1]
            for _ in range(2):
                local, residual, w = self._linearise(s, star)
                own, pull = self._solve_own(s, local, residual, w[w > 0])
                self._move(s, own @ pull)
            f, dy, dx, sky = self.local[s]
            profile = (1 - t) * base[0] + t * base[1]
            left = self.data[s] - f * self._image(profile, dy, dx) - sky
            _, _, w = self._linearise(s, star)
            w = np.where(inside, w, 0.0)[cut_stamp, cut_stamp]
            left = left[cut_stamp, cut_stamp]
            add_residual_normal(normal, right, left, w, f, dy, dx, OVERSAMPLE)
        cut = (base.shape[1] - g) // 2
        mean = np.abs(base.mean(axis=0)[cut : cut + g, cut : cut + g]).ravel()
        prior = self.options.residual_share * (mean + 1e-4 * mean.max())
        normal[np.diag_indices(g * g)] += 1 / prior**2
        solution = cho_solve(cho_factor(normal, overwrite_a=True, check_finite=False), right)
        return np.asarray(solution).reshape(g, g)

    def _linearise(self, s: int, grid: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Derivatives by the star's own parameters, residuals, and weights of all pixels."""
        f, dy, dx, sky = self.local[s]
        p = self._image(grid, dy, dx)
        model = f * np.maximum(p, 0.0)
        spread = self.photon_variance * model + (self.options.model_error * model) ** 2
        w = 1.0 / (self.noise[s] + spread)
        keep = w > 0
        local = np.stack(
            [
                p[keep],
                f * self._image(grid, dy, dx, 1, 0)[keep],
                f * self._image(grid, dy, dx, 0, 1)[keep],
                np.ones(int(keep.sum())),
            ]
        )
        return local, (self.data[s] - f * p - sky)[keep], w

    def _solve_own(
        self, s: int, local: FloatArray, residual: FloatArray, w: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance of the star's own parameters and the right-hand side."""
        normal, pull = (local * w) @ local.T, (local * w) @ residual
        # the sky has been subtracted: a free background would take the wings' light
        prior = 1.0 / (self.options.sky_error**2 * float(np.min(self.noise[s])))
        normal[3, 3] += prior
        pull[3] -= prior * self.local[s, 3]
        return np.asarray(np.linalg.inv(normal)), np.asarray(pull)

    def _move(self, s: int, step: FloatArray) -> None:
        f, dy, dx, sky = self.local[s]
        self.local[s, 0] = max(f + step[0], 0.1 * f)
        self.local[s, 1] = np.clip(dy + np.clip(step[1], -0.5, 0.5), -REACH, REACH)
        self.local[s, 2] = np.clip(dx + np.clip(step[2], -0.5, 0.5), -REACH, REACH)
        self.local[s, 3] = sky + step[3]

    def _image(
        self, grid: FloatArray, dy: float, dx: float, order_y: int = 0, order_x: int = 0
    ) -> FloatArray:
        out = np.empty((2 * self.half + 1, 2 * self.half + 1))
        render_stamp(grid, OVERSAMPLE, dy, dx, order_y, order_x, out)
        return out


def _node_grids(shape: FloatArray, half_size: int, mixture: Mixture) -> FloatArray:
    """Coefficient grids of the two nodes."""
    return np.stack(
        [spread_grid(np.append(shape[k : k + 3], shape[6]), half_size, mixture) for k in (0, 3)]
    )


def _node_slopes(
    shape: FloatArray, base: FloatArray, half_size: int, mixture: Mixture
) -> FloatArray:
    """Derivatives of both nodes' grids by their four parameters."""
    slopes = np.empty((2, 4, *base.shape[1:]))
    for node in (0, 1):
        own = np.append(shape[3 * node : 3 * node + 3], shape[6])
        for k in range(4):
            moved = own.copy()
            moved[k] += _STEPS[k]
            slopes[node, k] = (spread_grid(moved, half_size, mixture) - base[node]) / _STEPS[k]
    return slopes


def _embed(small: FloatArray, size: int) -> FloatArray:
    """A grid in the middle of a larger one of zeros."""
    out = np.zeros((size, size))
    cut = (size - small.shape[0]) // 2
    out[cut : cut + small.shape[0], cut : cut + small.shape[0]] = small
    return out
