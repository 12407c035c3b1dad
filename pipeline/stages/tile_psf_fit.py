"""Correct the predicted point spread of a stacked tile by its own stars.

The strips' point spreads, carried through the map, predict that of the stack everywhere in it.
What a prediction can miss is common to the tile: seeing that differed a little from the strips'
curves, nights that do not lie exactly upon each other.  Three numbers (a change of width and two of
shape) are fitted to all chosen stars together, held by a prior of a few per cent.  What is left in
the core is fitted by a spline image of twice the sampling (the idea of an effective point spread:
Anderson & King 2000, PASP 112, 1360), shrunk towards zero by a prior in proportion to the profile:
with few stars the prediction remains, with many the data decide.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.ndimage import correlate1d, spline_filter

from pipeline.stages.psf_stars import cut_stamps
from pipeline.stages.spline_kernels import REACH, blend_nodes, grid_half_size, render_stamp
from pipeline.stages.tile_psf import OVERSAMPLE, TilePsf
from pipeline.stages.tile_psf_kernels import add_residual_normal

__all__ = ["TilePsfOptions", "fit_tile_psf"]

FloatArray = NDArray[np.float64]

_N_SHAPE = 3  # ln(width), and two stretches: along x against y, along the diagonals
# a quintic B-spline at its knots, and its derivative
_VALUE = np.array([1.0, 26.0, 66.0, 26.0, 1.0]) / 120.0
_SLOPE = np.array([-1.0, -10.0, 0.0, 10.0, 1.0]) / 24.0
_LIMIT = 0.05  # largest change of a parameter in one iteration


@dataclass(frozen=True)
class TilePsfOptions:
    """Tuning of the fit.

    Parameters
    ----------
    radius : float
        Pixels within this distance of a star are fitted, px; at most the model's half size.
    min_stars : int
        With fewer stars the prediction stands.
    residual_radius : float
        The correction reaches this far, px; beyond, light is faint and the profile's form decides.
    min_residual_stars : int
        With fewer stars no spline image is fitted.
    max_stars : int
        The brightest ones are taken.
    model_error : float
        Expected error of the profile, relative to the model, per pixel.
    sky_error : float
        Prior standard deviation of the sky left under a star, in units of a pixel's noise.
    residual_share : float
        Prior standard deviation of the correction, relative to the profile.
    shape_error : float
        Expected error of the predicted width and shape, relative.
    iterations : int
        Newton steps of the common fit.
    clip : float
        Stars whose misfit per pixel exceeds the median by this factor are dropped.
    """

    radius: float = 12.0
    min_stars: int = 4
    residual_radius: float = 6.0
    min_residual_stars: int = 8
    max_stars: int = 150
    model_error: float = 0.01
    sky_error: float = 0.05
    residual_share: float = 0.03
    shape_error: float = 0.03
    iterations: int = 12
    clip: float = 4.0

    def __post_init__(self) -> None:
        if not self.radius >= 3:
            msg = f"radius must be at least 3 px, got {self.radius}"
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
        for name in ("model_error", "residual_share", "sky_error", "shape_error", "clip"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be positive, got {getattr(self, name)}"
                raise ValueError(msg)


def fit_tile_psf(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    x: ArrayLike,
    y: ArrayLike,
    star_flux: ArrayLike,
    *,
    predicted: TilePsf,
    photon_variance: float,
    options: TilePsfOptions,
) -> TilePsf:
    """Correct a predicted point spread by isolated stars.

    Parameters
    ----------
    flux, variance : ndarray of shape (ny, nx), float32
        Sky-subtracted tile and its background variance.
    mask : ndarray of shape (ny, nx), uint16
        Nonzero is bad.
    x, y, star_flux : array_like of shape (n,)
        Bright isolated stars: approximate positions and fluxes.
    predicted : TilePsf
        Where to begin, and the result with too few stars.
    photon_variance : float
        Variance per unit flux of the stars' own light.
    options : TilePsfOptions
        Tuning.

    Returns
    -------
    TilePsf
        Its ``n_stars`` tells how many stars decided; 0 when there were too few.

    Raises
    ------
    ValueError
        If the prediction does not reach the radius.
    """
    x, y, star_flux = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (x, y, star_flux))
    if np.ceil(options.radius) > predicted.half_size:
        msg = f"predicted must reach radius = {options.radius} px, got {predicted.half_size} px"
        raise ValueError(msg)
    usable = np.flatnonzero(np.isfinite(star_flux) & (star_flux > 0))
    chosen = np.sort(usable[np.argsort(-star_flux[usable], kind="stable")[: options.max_stars]])
    slopes = _shape_slopes(predicted.grids)
    side = predicted.grids.shape[2]
    stars = _Stars(
        flux,
        variance,
        mask,
        x[chosen],
        y[chosen],
        star_flux[chosen],
        predicted,
        slopes,
        photon_variance,
        options,
    )
    shape = np.zeros(_N_SHAPE)
    for iteration in range(options.iterations):
        if stars.use.sum() < options.min_stars:
            return predicted
        step = stars.newton(shape)
        shape = shape + np.clip(step, -_LIMIT, _LIMIT)
        if iteration in (4, 8):
            stars.drop_misfits()
        if iteration > 8 and np.abs(step).max() < 1e-4:
            break
    if stars.use.sum() < options.min_stars:
        return predicted
    correction: FloatArray = np.zeros((side, side))
    if stars.use.sum() >= options.min_residual_stars:
        for _ in range(2):
            correction = _embed(stars.fit_residual(shape, correction), correction.shape[0])
    grids = predicted.grids + np.tensordot(shape, slopes, axes=1) + correction
    # What the correction adds or takes is the stars' flux, not their form.
    grids = grids / (1.0 + correction.sum() / OVERSAMPLE**2)
    return replace(predicted, grids=grids, n_stars=int(stars.use.sum()))


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
        predicted: TilePsf,
        slopes: FloatArray,
        photon_variance: float,
        options: TilePsfOptions,
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
        self.misfit = np.full(x.size, np.nan)
        self.photon_variance = photon_variance
        self.options = options
        # the predicted grid of every star, and its derivatives by the common parameters
        of_star = predicted.stencil(y, x)
        side = predicted.grids.shape[2]
        self.grids = np.empty((x.size, 1 + _N_SHAPE, side, side))
        for k, nodes in enumerate((predicted.grids, *slopes)):
            for s in range(x.size):
                blend_nodes(
                    nodes,
                    int(of_star.first_width[s]),
                    of_star.width_weights[s],
                    int(of_star.first_column[s]),
                    of_star.column_weights[s],
                    self.grids[s, k],
                )

    def grid(self, s: int, shape: FloatArray) -> FloatArray:
        """Point spread at a star."""
        return np.asarray(self.grids[s, 0] + np.tensordot(shape, self.grids[s, 1:], axes=1))

    def newton(self, shape: FloatArray) -> FloatArray:
        """Improve every star and return the step of the common parameters."""
        prior = 1.0 / self.options.shape_error**2
        normal, right = prior * np.eye(_N_SHAPE), -prior * shape
        for s in np.flatnonzero(self.use).tolist():
            local, residual, w = self._linearise(s, self.grid(s, shape))
            f, dy, dx = self.local[s, :3]
            common = np.stack([f * self._image(g, dy, dx)[w > 0] for g in self.grids[s, 1:]])
            v = w[w > 0]
            own, pull = self._solve_own(s, local, residual, v)
            cross = (common * v) @ local.T
            normal += (common * v) @ common.T - cross @ own @ cross.T
            right += (common * v) @ residual - cross @ own @ pull
            self._move(s, own @ pull)
            self.misfit[s] = (v * residual**2).sum() / residual.size
        return np.asarray(np.linalg.solve(normal, right))

    def drop_misfits(self) -> None:
        """Leave out stars that do not look like the others: blends, galaxies, defects."""
        middle = np.median(self.misfit[self.use])
        self.use = self.use & (self.misfit <= self.options.clip * max(middle, 1.0))

    def fit_residual(self, shape: FloatArray, correction: FloatArray) -> FloatArray:
        """Spline coefficients of what the profile leaves, by shrunk least squares.

        `correction` is what an earlier pass found: the stars are fitted with it first.
        """
        reach = int(np.ceil(self.options.residual_radius))
        g = 2 * grid_half_size(reach, OVERSAMPLE) + 1
        at = np.arange(-self.half, self.half + 1)
        inside = at[:, None] ** 2 + at**2 <= self.options.residual_radius**2
        cut_stamp = slice(self.half - reach, self.half + reach + 1)
        normal, right = np.zeros((g * g, g * g)), np.zeros(g * g)
        mean: FloatArray = np.zeros_like(correction)
        for s in np.flatnonzero(self.use).tolist():
            profile = self.grid(s, shape)
            mean += profile / self.use.sum()
            for _ in range(2):
                local, residual, w = self._linearise(s, profile + correction)
                own, pull = self._solve_own(s, local, residual, w[w > 0])
                self._move(s, own @ pull)
            f, dy, dx, sky = self.local[s]
            left = self.data[s] - f * self._image(profile, dy, dx) - sky
            _, _, w = self._linearise(s, profile + correction)
            w = np.where(inside, w, 0.0)[cut_stamp, cut_stamp]
            left = left[cut_stamp, cut_stamp]
            add_residual_normal(normal, right, left, w, f, dy, dx, OVERSAMPLE)
        cut = (mean.shape[0] - g) // 2
        core = np.abs(mean[cut : cut + g, cut : cut + g]).ravel()
        prior = self.options.residual_share * (core + 1e-4 * core.max())
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


def _shape_slopes(grids: FloatArray) -> FloatArray:
    """Derivatives of coefficient grids by the three parameters, shape (3, n_y, n_x, G, G).

    The image is stretched about its middle: by ``exp(p)`` along both axes; by ``exp(p / 2)`` along
    x and its inverse along y; likewise along the diagonals.  Its flux is kept.
    """
    g = grids.shape[2]
    at = np.arange(g) - g // 2
    y, x = at[:, None], at[None, :]
    slopes = np.empty((_N_SHAPE, *grids.shape))
    for index in np.ndindex(*grids.shape[:2]):
        value = _at_knots(_at_knots(grids[index], _VALUE, 0), _VALUE, 1)
        by_y = _at_knots(_at_knots(grids[index], _SLOPE, 0), _VALUE, 1)
        by_x = _at_knots(_at_knots(grids[index], _VALUE, 0), _SLOPE, 1)
        # derivatives at p = 0 of f(x exp(-p), y exp(-p)) exp(-2 p), and so on
        for k, slope in enumerate(
            (
                -2.0 * value - x * by_x - y * by_y,
                0.5 * (y * by_y - x * by_x),
                -0.5 * (y * by_x + x * by_y),
            )
        ):
            slopes[(k, *index)] = spline_filter(slope, 5, mode="mirror")
    return slopes


def _at_knots(coefficients: FloatArray, weights: FloatArray, axis: int) -> FloatArray:
    return np.asarray(correlate1d(coefficients, weights, axis=axis, mode="mirror"))


def _embed(small: FloatArray, size: int) -> FloatArray:
    """A grid in the middle of a larger one of zeros."""
    out = np.zeros((size, size))
    cut = (size - small.shape[0]) // 2
    out[cut : cut + small.shape[0], cut : cut + small.shape[0]] = small
    return out
