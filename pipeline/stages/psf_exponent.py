"""Stamps of a strip's stars, and the exponent of the point spread that fits them best."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.psf_star_fit import StarFits, StarNoise, fit_stars
from pipeline.stages.psf_star_nodes import StarNodes
from pipeline.stages.psf_stars import BETA_LIMITS, PsfStarOptions

__all__ = ["EXPONENT_STARS", "SEEING", "StarStamps", "fit_exponent"]

FloatArray = NDArray[np.float64]

# Exponents at which the misfit is sampled first.
_FIRST_BETAS = (3.0, 2.2, 4.5, 9.0)  # the first is where most fits come from
_BETA_STEPS = 4
# Steps in 1/beta: out of a sampled range without minimum, and about the minimum.
_BETA_FAR, _BETA_NEAR = 0.05, 0.01
EXPONENT_STARS = 300
# Parameters of a star's fit that tell the seeing, see `fit_stars`.
SEEING = (0, 1, 2, 3, 4)


class StarStamps:
    """Stars and what does not change between rounds of fitting them.

    Parameters
    ----------
    stamps, variances : ndarray of float32 of shape (n, size, size)
    columns : ndarray of shape (n,)
    options : PsfStarOptions
    """

    def __init__(
        self,
        stamps: NDArray[np.float32],
        variances: NDArray[np.float32],
        columns: FloatArray,
        options: PsfStarOptions,
    ) -> None:
        self.stamps = stamps
        self.variances = variances
        self.columns = columns
        self.options = options
        self.noise = StarNoise(1.0, options.model_error)

    def take(self, which: NDArray[np.int64]) -> "StarStamps":
        """Some of the stars."""
        return StarStamps(
            self.stamps[which], self.variances[which], self.columns[which], self.options
        )

    def with_fixed_variance(self, lights: FloatArray) -> "StarStamps":
        """The same stars, their photon noise taken from given models instead of the fitted ones.

        Misfits of different models can be compared only at equal weights: a model with more light
        in the wings would otherwise allow itself more noise there.
        """
        extra = lights + (self.options.model_error * lights) ** 2
        fixed = StarStamps(
            self.stamps,
            (self.variances + extra).astype(np.float32),
            self.columns,
            self.options,
        )
        fixed.noise = StarNoise(0.0, 0.0)
        return fixed

    def fit(
        self,
        nodes: StarNodes,
        start: FloatArray,
        free: tuple[int, ...],
        which: NDArray[np.int64],
        *,
        keep_lights: bool = False,
    ) -> StarFits:
        """Fit ``which`` stars from ``start``."""
        return fit_stars(
            self.stamps, self.variances, which, start, free, nodes, self.columns,
            radius=self.options.radius, noise=self.noise,
            max_iterations=self.options.max_iterations, keep_lights=keep_lights,
        )  # fmt: skip


def fit_exponent(
    stars: StarStamps, start: FloatArray, make: Callable[[float], StarNodes]
) -> tuple[float, float]:
    """Exponent of least summed misfit, by parabolas in 1/beta; its error from the curvature.

    Parameters
    ----------
    stars : StarStamps
        With fixed variances.
    start : ndarray of shape (n, 8)
        What their fits begin with.
    make : callable
        Nodes of an exponent.

    Returns
    -------
    beta, error : float
        The error is NaN where the misfit has no minimum.
    """
    # The brightest tell most; a bounded number keeps long strips quick.
    which = np.sort(np.argsort(-start[:, 0], kind="stable")[:EXPONENT_STARS])
    tried: dict[float, FloatArray] = {}
    guess = start.copy()

    def sample(x: float) -> None:
        values, _, chi2, _ = stars.fit(make(1.0 / x), guess, SEEING, which)
        tried[x] = chi2
        fitted = np.isfinite(chi2)
        guess[which[fitted]] = values[fitted]

    def misfit() -> tuple[FloatArray, FloatArray]:
        xs = np.array(sorted(tried))
        table = np.stack([tried[x] for x in xs])
        # Only stars fitted at every exponent make the sums comparable.
        common = np.all(np.isfinite(table), axis=0)
        return xs, table[:, common].sum(axis=1)

    for b in _FIRST_BETAS:
        sample(1.0 / b)
    low, high = 1.0 / BETA_LIMITS[1], 1.0 / BETA_LIMITS[0]

    def vertex_of_best() -> tuple[float, float]:
        xs, total = misfit()
        at = int(np.argmin(total))
        near = slice(*_three(at, xs.size))
        vertex, curvature = _parabola(xs[near], total[near])
        if not np.isfinite(vertex):
            vertex = xs[at] + (_BETA_FAR if at == xs.size - 1 else -_BETA_FAR)
        return float(np.clip(vertex, low, high)), curvature

    for _ in range(_BETA_STEPS):
        x, _ = vertex_of_best()
        if min(abs(x - t) for t in tried) < _BETA_NEAR:
            break
        sample(x)
    # A close triple about the minimum: far points would bend the parabola.
    x, _ = vertex_of_best()
    tried = {}
    middle = float(np.clip(x, low + _BETA_NEAR, high - _BETA_NEAR))
    for step in (-_BETA_NEAR, 0.0, _BETA_NEAR):
        sample(middle + step)
    x, curvature = vertex_of_best()
    pixels = float(np.mean(np.isfinite(stars.variances[which]).sum(axis=(1, 2))))
    inside = np.pi * stars.options.radius**2 / stars.stamps[0].size
    # `misfit` sums reduced chi-squares: times the pixels of a star it is chi-square.
    scale = pixels * min(inside, 1.0)
    x_err = np.sqrt(2.0 / (scale * curvature)) if curvature > 0 else np.nan
    table = np.stack([tried[t] for t in sorted(tried)])
    x_err = np.fmax(x_err, _scatter_of_vertex(np.array(sorted(tried)), table, x))
    return 1.0 / x, float(x_err / x**2)


def _scatter_of_vertex(x: FloatArray, table: FloatArray, vertex: float) -> float:
    """Error of the common vertex from how far single stars disagree about it.

    Bright stars differ by more than their noise: by neighbours too faint to be seen, and by what
    the seeing did while each crossed the chip. Their slopes at the vertex add up to nothing; the
    scatter of these slopes, over the sum of their curvatures, is the error (Huber 1967, Proc.
    Fifth Berkeley Symp. 1, 221: "sandwich").

    Parameters
    ----------
    x : ndarray of shape (3,)
        Where the misfits were sampled.
    table : ndarray of shape (3, n)
        Misfits of single stars.
    vertex : float
    """
    table = table[:, np.all(np.isfinite(table), axis=0)]
    a, b, _ = np.polyfit(x - vertex, table, 2)
    total = 2.0 * a.sum()
    return float(np.sqrt(np.sum(b**2)) / total) if total > 0 else np.nan


def _three(at: int, n: int) -> tuple[int, int]:
    first = min(max(at - 1, 0), n - 3)
    return first, first + 3


def _parabola(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Abscissa of the minimum and second derivative; NaN when there is no minimum."""
    a, b, _ = np.polyfit(x - x[1], y - y[1], 2)
    if not a > 0:
        return np.nan, np.nan
    return float(x[1] - b / (2 * a)), float(2 * a)
