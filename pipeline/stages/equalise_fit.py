"""Kernels that bring the point spread of a strip to one target, at nodes of column and seeing.

A kernel ``K`` has finite support on the pixel grid and minimises ``|P * K - T|^2 + e |K|^2`` with
``P`` the point spread at the node and ``T`` the target, both sampled twice a pixel, so that no
sub-pixel position of a star is preferred.  The second term is what white noise becomes.  The sum of
a kernel is exactly one and its first moments are exactly zero: fluxes and centroids stay.

"broadest": the target is a Gaussian along and across the scan on top of the worst seeing.  The path
of a star at the edge of a chip is nearly a boxcar, whose transform has zeros, at other frequencies
in every column.  The target must have no power there: its Gaussian is widened until every column
reaches it.

"centre": the target is the point spread of the least smeared column, at the worst seeing.  What the
zeros took cannot come back; the kernel does what the regularisation lets it.

References
----------
The idea of a real-space kernel that matches one image to another by least squares: Alard & Lupton
1998, ApJ 503, 325 (from memory).  Adaptive Gaussian-weighted moments: Bernstein & Jarvis 2002,
AJ 123, 583 (from memory).
"""

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from pipeline.stages.psf_model import BOX_MARGIN, PsfModel, make_psf_model

__all__ = ["Box", "Support", "Widths", "make_support", "measure_widths", "solve_kernel"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


class Widths(NamedTuple):
    """Widths of an image.

    Attributes
    ----------
    along, across : float
        Standard deviations of the Gaussian that fits it best, along lines and columns, px.
    peak : float
        Diameter of the circle of its half-peak area, px.
    """

    along: float
    across: float
    peak: float


@dataclass(frozen=True, eq=False)
class Support:
    """Pixels of a kernel: an ellipse about its middle.

    Attributes
    ----------
    half_line, half_column : int
        Half axes, px.
    line, column : ndarray of int of shape (n,)
        Offsets of its pixels, by line, then column.
    reach : ndarray of int of shape (2 half_line + 1,)
        Half width of each of its lines.
    """

    half_line: int
    half_column: int
    line: NDArray[np.int64]
    column: NDArray[np.int64]
    reach: NDArray[np.int64]


def make_support(half_line: int, half_column: int) -> Support:
    """Ellipse of pixels.

    Parameters
    ----------
    half_line, half_column : int
        Half axes, px; at least 1.

    Returns
    -------
    Support
    """
    if min(half_line, half_column) < 1:
        msg = f"half axes must be at least 1 px, got {half_line} and {half_column}"
        raise ValueError(msg)
    at = np.arange(-half_line, half_line + 1)
    reach = np.floor(
        (half_column + 0.5) * np.sqrt(1.0 - (at / (half_line + 0.5)) ** 2)
    ).astype(np.int64)  # fmt: skip
    line = np.repeat(at, 2 * reach + 1).astype(np.int64)
    column = np.concatenate([np.arange(-r, r + 1) for r in reach]).astype(np.int64)
    return Support(half_line, half_column, line, column, reach)


@dataclass(frozen=True, eq=False)
class Box:
    """Periodic box in which transforms of point spreads live.

    Attributes
    ----------
    psf : PsfModel
        Of the strip.
    half_size : int
        Half size of the stamps to be had from it, px.
    """

    psf: PsfModel
    half_size: int
    _spreads: dict[tuple[float, int], ComplexArray] = field(default_factory=dict, repr=False)

    @property
    def size(self) -> int:
        """Points a side."""
        return 2 * (self.half_size + BOX_MARGIN) * self.psf.oversample

    def spread(self, fwhm: float, node: int) -> ComplexArray:
        """Transform of the point spread at a column node."""
        return self.psf.transform(fwhm, node, self.size)

    def gaussian_target(self, fwhm: float, along: float, across: float) -> ComplexArray:
        """Transform of seeing with a Gaussian of given variances (px^2) on top, pixel included."""
        model = make_psf_model(
            [0.0], [fwhm], self.psf.node_columns[:1], beta=self.psf.beta, path=None,
            optics=np.array([[along], [0.0], [across]]), half_size=1,
        )  # fmt: skip
        model = replace(model, oversample=self.psf.oversample)
        return model.transform(fwhm, 0, self.size)

    def transform_kernel(self, kernel: FloatArray, support: Support) -> ComplexArray:
        """Transform of a kernel on the pixel grid."""
        full = np.zeros((self.size, self.size))
        step = self.psf.oversample
        full[step * support.line, step * support.column] = kernel
        return np.asarray(np.fft.rfft2(full))

    def image(self, transform: ComplexArray) -> FloatArray:
        """Image with the light at the middle point, flux per pixel."""
        image = np.fft.irfft2(transform, s=(self.size, self.size))
        return np.asarray(np.fft.fftshift(image) * self.psf.oversample**2)

    def power(self, *transforms: ComplexArray) -> float:
        """Mean over all frequencies of the product of squared amplitudes."""
        total = np.ones(transforms[0].shape)
        for t in transforms:
            total *= np.abs(t) ** 2
        # all columns but the first and the last stand for two
        weight = np.full(self.size // 2 + 1, 2.0)
        weight[0] = weight[-1] = 1.0
        return float((total * weight).sum()) / self.size**2 * self.psf.oversample**2


def solve_kernel(
    box: Box, spread: ComplexArray, target: ComplexArray, support: Support, *, damping: float
) -> FloatArray:
    """Kernel that brings a point spread nearest to a target.

    Parameters
    ----------
    box : Box
        Where the transforms live.
    spread, target : ndarray of complex
        Point spread and target.
    support : Support
        Pixels of the kernel.
    damping : float
        Weight of the noise: of ``sum(K**2)`` over that of the squared point spread.

    Returns
    -------
    ndarray of shape (n,)
        Of unit sum and no first moment.
    """
    shape = (box.size, box.size)
    auto = np.fft.irfft2(np.abs(spread) ** 2, s=shape)
    cross = np.fft.irfft2(np.conj(spread) * target, s=shape)
    step = box.psf.oversample
    i, j = step * support.line, step * support.column
    normal = auto[i[:, None] - i, j[:, None] - j]
    normal[np.diag_indices(i.size)] += damping * auto[0, 0]
    rules = np.stack([np.ones(i.size), support.line, support.column], axis=1)
    solved = cho_solve(
        cho_factor(normal, overwrite_a=True, check_finite=False),
        np.column_stack([cross[i, j], rules]),
    )
    plain, by_rule = solved[:, 0], solved[:, 1:]
    excess = rules.T @ plain - np.array([1.0, 0.0, 0.0])
    return np.asarray(plain - by_rule @ np.linalg.solve(rules.T @ by_rule, excess))


def measure_widths(image: FloatArray, *, oversample: int) -> Widths:
    """Widths of an image without noise whose light is at the middle point.

    Parameters
    ----------
    image : ndarray of shape (n, m)
        Flux per pixel, `oversample` points a pixel.
    oversample : int
        Points per pixel.

    Returns
    -------
    Widths
    """
    y, x = ((np.arange(n) - n // 2) / oversample for n in image.shape)
    y = y[:, None]
    ll = cc = 4.0
    lc = 0.0
    for _ in range(100):
        det = ll * cc - lc**2
        form = (cc * y**2 - 2 * lc * y * x + ll * x**2) / det
        weighted = image * np.exp(-0.5 * form)
        total = weighted.sum()
        # Under a matching Gaussian weight second moments halve.
        new = [2.0 * float((weighted * a).sum() / total) for a in (y**2, y * x, (x**2)[None, :])]
        change = max(abs(new[0] - ll), abs(new[1] - lc), abs(new[2] - cc))
        ll, lc, cc = max(new[0], 0.05), new[1], max(new[2], 0.05)
        if ll * cc <= lc**2:
            break
        if change < 1e-7:
            break
    area = _half_peak_area(image) / oversample**2
    return Widths(float(np.sqrt(ll)), float(np.sqrt(cc)), float(2.0 * np.sqrt(area / np.pi)))


def _half_peak_area(image: FloatArray) -> float:
    """Points above half of the peak, those on the rim in part."""
    middle, centre = image.shape[0] // 2, image.shape[1] // 2
    level = 0.5 * image.max()
    # The rim is resolved by linear interpolation between points, four to an interval.
    half = min(middle - 1, centre - 1, 60)
    cut = image[middle - half : middle + half + 1, centre - half : centre + half + 1]
    fine = 4
    at = np.arange(0, 2 * half + 1e-9, 1.0 / fine)
    low = np.minimum(at.astype(int), 2 * half - 1)
    part = at - low
    rows = cut[low] * (1 - part)[:, None] + cut[low + 1] * part[:, None]
    full = rows[:, low] * (1 - part) + rows[:, low + 1] * part
    return float((full > level).sum()) / fine**2
