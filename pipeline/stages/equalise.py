"""Equalisation: one point spread from edge to edge of a strip.

Smear makes the point spread of a drift scan a function of the column, seeing one of the line.
Calibrated, sky-subtracted lines are convolved, on their own pixels and before the one resampling,
with kernels that bring every column to one target (`equalise_fit`).  Kernels are cubic between
nodes in column and ln(FWHM), and constant over `LINE_GROUP` lines anchored at line 0 of the strip.

Noise: the variance of an equalised pixel is ``sum(K**2 variance)``.  Neighbouring pixels are
correlated; `Equaliser.noise_lags` says how much, and `tile_noise` carries it to tiles.

Bad pixels are filled from their neighbours before the convolution, so that they smear nothing.  A
pixel that was bad stays bad; so does one that would draw more than `lost_limit` of its kernel's
absolute weight from bad pixels (`bright_limit` from saturated ones, whose light is not known).
"""

from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.flags import PixelMask
from pipeline.stages.equalise_fit import (
    Box,
    Support,
    Widths,
    make_support,
    measure_widths,
    solve_kernel,
)
from pipeline.stages.equalise_kernels import (
    FILL_REACH,
    VARIANCE_STEP,
    convolve_lines,
    fill_bad,
)
from pipeline.stages.psf_model import (
    MAX_HALF_SIZE,
    PsfModel,
)
from pipeline.stages.psf_nodes import NodeStencil, interpolate_nodes
from pipeline.stages.psf_transforms import fold, spline_image
from pipeline.stages.resample import kernel_transfer

__all__ = [
    "LINE_GROUP",
    "EqualiseOptions",
    "EqualisedLines",
    "EqualisedSpread",
    "Equaliser",
    "NodeReport",
    "equalise_lines",
    "halo_lines",
    "make_equaliser",
]

FloatArray = NDArray[np.float64]

LINE_GROUP = 32  # lines with one kernel: the seeing changes over thousands
_WIDTH_STEP = 0.08  # ln(FWHM) between nodes at most; cubic between them
_MAX_REACH = 40  # px: largest half axis of a kernel
_FACTORS = (1.0, 1.15, 1.3, 1.45, 1.6, 1.8, 2.0, 2.3, 2.7, 3.2, 4.0)
_BRIGHT = np.uint16(PixelMask.SATURATED | PixelMask.BLEED)


@dataclass(frozen=True)
class EqualiseOptions:
    """Tuning of the equalisation.

    Parameters
    ----------
    target : {"broadest", "centre"}
        What every column is brought to.
    damping_broadest, damping_centre : float
        Weight of the noise in the fit of a kernel.
    width_limit : float
        "broadest": the target is widened until no width of any column differs by more, relative.
    noise_limit : float
        "broadest": nor the variance of a pixel grows by more than this factor.
    lost_limit : float
        Share of a kernel's absolute weight on bad pixels above which the result is bad.
    bright_limit : float
        The same for saturated and bled pixels alone.
    """

    target: Literal["broadest", "centre"] = "broadest"
    damping_broadest: float = 2e-4
    damping_centre: float = 1e-3
    width_limit: float = 0.015
    noise_limit: float = 1.0
    lost_limit: float = 0.1
    bright_limit: float = 0.005

    def __post_init__(self) -> None:
        if self.target not in ("broadest", "centre"):
            msg = f'target must be "broadest" or "centre", got {self.target!r}'
            raise ValueError(msg)
        for name in ("damping_broadest", "damping_centre", "width_limit", "noise_limit"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be positive, got {getattr(self, name)}"
                raise ValueError(msg)
        for name in ("lost_limit", "bright_limit"):
            if not 0 <= getattr(self, name) < 1:
                msg = f"{name} must lie in [0, 1), got {getattr(self, name)}"
                raise ValueError(msg)

    @property
    def damping(self) -> float:
        """Weight of the noise for the chosen target."""
        return self.damping_broadest if self.target == "broadest" else self.damping_centre


class NodeReport(NamedTuple):
    """What equalisation does at one column and seeing.

    Attributes
    ----------
    before, after : Widths
        Of the point spread.
    residual : float
        Largest difference from the target over the target's peak.
    noise : float
        Variance of an equalised pixel over that of a plain one, without its neighbours.
    depth_plain, depth_best : float
        Magnitudes of point-source depth lost by a point-spread fit that takes the noise for
        white, and by one that knows its correlation.
    """

    before: Widths
    after: Widths
    residual: float
    noise: float
    depth_plain: float
    depth_best: float


class EqualisedLines(NamedTuple):
    """Equalised lines: image and variance float32, mask uint16, of one shape."""

    image: NDArray[np.float32]
    variance: NDArray[np.float32]
    mask: NDArray[np.uint16]


@dataclass(frozen=True, eq=False)
class EqualisedSpread:
    """Point spread of equalised lines as resampling leaves it: the strip's, convolved with both.

    Attributes
    ----------
    grids : ndarray of shape (n_width, n_column, G, G)
        Quintic B-spline coefficients.
    ln_widths, node_columns : ndarray
        Nodes.
    psf : PsfModel
        Of the strip; gives the seeing.
    half_size, oversample : int
        As in `PsfModel`.
    """

    grids: FloatArray
    ln_widths: FloatArray
    node_columns: FloatArray
    psf: PsfModel
    half_size: int
    oversample: int

    def stencil(self, lines: ArrayLike, columns: ArrayLike) -> NodeStencil:
        """Grids and weights, as `PsfModel.stencil`."""
        ln_width = np.log(np.atleast_1d(self.psf.fwhm(lines)))
        ln_width = np.clip(ln_width, self.ln_widths[0], self.ln_widths[-1])
        first_width, ww = interpolate_nodes(self.ln_widths, ln_width)
        first_column, cw = interpolate_nodes(self.node_columns, columns)
        return NodeStencil(self.grids, first_width, first_column, ww, cw)


@dataclass(frozen=True, eq=False)
class Equaliser:
    """Kernels of a strip; make it with `make_equaliser`.

    Attributes
    ----------
    psf : PsfModel
        Of the strip.
    options : EqualiseOptions
        Tuning.
    support : Support
        Pixels of the kernels.
    kernels : ndarray of shape (n_width, n_column, n)
        At the nodes: ``equalised(x) = sum_n K(n) image(x - n)``.
    ln_widths : ndarray of shape (n_width,)
        Nodes in ln(seeing FWHM in px).
    target_fwhm : float
        Seeing of the target, px.
    target_variance : tuple of float
        "broadest": variances of the target's Gaussian along and across, px^2.
    """

    psf: PsfModel
    options: EqualiseOptions
    support: Support
    kernels: FloatArray
    ln_widths: FloatArray
    target_fwhm: float
    target_variance: tuple[float, float]
    _kept: dict[Any, Any] = field(default_factory=dict, repr=False)

    def __repr__(self) -> str:
        return (
            f"Equaliser({self.options.target}, {self.kernels.shape[0]} x {self.kernels.shape[1]} "
            f"nodes, {2 * self.support.half_line + 1} x {2 * self.support.half_column + 1} px)"
        )

    def __getstate__(self) -> dict[str, Any]:
        """Everything but what is made again where it is needed."""
        return {**self.__dict__, "_kept": {}}

    @property
    def half_size(self) -> int:
        """Half size of a stamp that holds the equalised point spread, px."""
        return _stamp_half(self.psf, self.support)

    def box(self) -> Box:
        """Where its transforms live."""
        return Box(self.psf, self.half_size)

    def target(self) -> NDArray[np.complex128]:
        """Transform of the target."""
        return _target(self.box(), self.options, self.target_fwhm, self.target_variance)

    def spread(self) -> EqualisedSpread:
        """Point spread that is reached, resampled."""
        if "spread" not in self._kept:
            box = self.box()
            v = np.fft.rfftfreq(box.size, 1.0 / self.psf.oversample).astype(np.float64)
            across = kernel_transfer(v)
            blur = np.outer(across[fold(box.size)], across)
            n_w, n_c, _ = self.kernels.shape
            rows = [
                [
                    spline_image(
                        box.spread(float(np.exp(self.ln_widths[w])), c)
                        * box.transform_kernel(self.kernels[w, c], self.support) * blur,
                        half_size=self.half_size, oversample=self.psf.oversample,
                    )
                    for c in range(n_c)
                ]
                for w in range(n_w)
            ]  # fmt: skip
            self._kept["spread"] = EqualisedSpread(
                np.array(rows), self.ln_widths, self.psf.node_columns, self.psf, self.half_size,
                self.psf.oversample,
            )  # fmt: skip
        spread: EqualisedSpread = self._kept["spread"]
        return spread

    def width_weights(self, lines: ArrayLike) -> FloatArray:
        """Weights of the width nodes at the seeing of lines, shape (n, n_width)."""
        ln_width = np.log(np.atleast_1d(self.psf.fwhm(lines)))
        ln_width = np.clip(ln_width, self.ln_widths[0], self.ln_widths[-1])
        first, weights = interpolate_nodes(self.ln_widths, ln_width)
        out = np.zeros((ln_width.size, self.ln_widths.size))
        rows = np.arange(ln_width.size)
        for k in range(weights.shape[1]):
            out[rows, first + k] = weights[:, k]
        return out

    def table(self, n_columns: int) -> NDArray[np.float32]:
        """Kernels of every column, as weights of a correlation, shape (n_width, n, n_columns)."""
        if n_columns not in self._kept:
            first, weights = interpolate_nodes(self.psf.node_columns, np.arange(n_columns))
            # A correlation takes the kernel turned round; the ellipse is symmetric.
            turned = self.kernels[:, :, ::-1]
            out = np.zeros((turned.shape[0], turned.shape[2], n_columns), dtype=np.float32)
            for w in range(turned.shape[0]):
                total = np.zeros((n_columns, turned.shape[2]))
                for k in range(weights.shape[1]):
                    total += weights[:, k, None] * turned[w, first + k]
                out[w] = total.T
            self._kept[n_columns] = out
        table: NDArray[np.float32] = self._kept[n_columns]
        return table

    def kernel_at(self, line: float, column: float) -> FloatArray:
        """Kernel at a place, shape (2 half_line + 1, 2 half_column + 1)."""
        first, weights = interpolate_nodes(self.psf.node_columns, column)
        by_width = self.width_weights(line)[0]
        mixed = np.einsum(
            "w,k,wkn->n", by_width, weights[0],
            self.kernels[:, first[0] : first[0] + weights.shape[1]],
        )  # fmt: skip
        s = self.support
        out = np.zeros((2 * s.half_line + 1, 2 * s.half_column + 1))
        out[s.line + s.half_line, s.column + s.half_column] = mixed
        return out

    def noise_lags(self, line: float, column: float) -> FloatArray:
        """Covariance of white noise of unit variance after the convolution, by lag in pixels.

        Parameters
        ----------
        line, column : float
            Where.

        Returns
        -------
        ndarray of shape (4 half_line + 1, 4 half_column + 1)
            Lag zero, the variance, in the middle.
        """
        kernel = self.kernel_at(line, column)
        shape = (2 * kernel.shape[0] - 1, 2 * kernel.shape[1] - 1)
        power = np.abs(np.fft.rfft2(kernel, s=shape)) ** 2
        return np.asarray(np.fft.fftshift(np.fft.irfft2(power, s=shape)))

    def report(self, fwhm: float, node: int) -> NodeReport:
        """What happens at a column node under a seeing within the strip's range."""
        box = self.box()
        spread = box.spread(fwhm, node)
        first, weights = interpolate_nodes(self.ln_widths, np.log(fwhm))
        kernel = np.tensordot(
            weights[0], self.kernels[first[0] : first[0] + weights.shape[1], node], axes=1
        )
        return _report(box, spread, self.target(), kernel, self.support)


def _target(
    box: Box, options: EqualiseOptions, fwhm: float, variance: tuple[float, float]
) -> NDArray[np.complex128]:
    if options.target == "broadest":
        return box.gaussian_target(fwhm, *variance)
    return box.spread(fwhm, _calmest(box.psf))


def _calmest(psf: PsfModel) -> int:
    """Node with the least smear."""
    ll, _, cc = psf.second_moments(psf.node_columns)
    return int(np.argmin(ll + cc))


def _report(
    box: Box,
    spread: NDArray[np.complex128],
    target: NDArray[np.complex128],
    kernel: FloatArray,
    support: Support,
) -> NodeReport:
    os_ = box.psf.oversample
    response = box.transform_kernel(kernel, support)
    reached = spread * response
    image, wanted = box.image(reached), box.image(target)
    # Variance of a flux fitted to white noise of unit variance, before and after.
    before = 1.0 / box.power(spread)
    after = box.power(reached, response) / box.power(reached) ** 2
    # The noise of the kernel's stop bands is none; what the fit cannot use is not missed either.
    seen = np.abs(response) ** 2 > 1e-9
    best = 1.0 / box.power(np.where(seen, spread, 0.0))
    return NodeReport(
        before=measure_widths(box.image(spread), oversample=os_),
        after=measure_widths(image, oversample=os_),
        residual=float(np.abs(image - wanted).max() / wanted.max()),
        noise=float((kernel**2).sum()),
        depth_plain=1.25 * float(np.log10(after / before)),
        depth_best=1.25 * float(np.log10(best / before)),
    )


def make_equaliser(psf: PsfModel, *, options: EqualiseOptions) -> Equaliser:
    """Choose the target of a strip and find its kernels.

    Parameters
    ----------
    psf : PsfModel
        Of the strip.
    options : EqualiseOptions
        Tuning.

    Returns
    -------
    Equaliser
    """
    best, worst = float(psf.fwhm_values.min()), float(psf.fwhm_values.max())
    span = np.log(worst / best)
    n_widths = 1 if span < 1e-4 else max(2, int(np.ceil(span / _WIDTH_STEP)) + 1)
    ln_widths = np.linspace(np.log(best), np.log(worst), n_widths)
    ll, _, cc = psf.second_moments(psf.node_columns)
    # Without clock and pixel, which the target has anyway.
    smear = (max(float(ll.max()) - 2 / 12, 0.0), max(float(cc.max()) - 1 / 12, 0.0))
    # A Moffat profile's core widens like a Gaussian of this variance.
    seeing = (worst**2 - best**2) / (8.0 * np.log(2.0))
    if options.target == "broadest":
        variance, support = _widen(psf, options, smear, best, worst, seeing)
    else:
        variance = (0.0, 0.0)
        along = float(np.ptp(psf.path_line, axis=1).max())
        across = float(np.ptp(psf.path_column, axis=1).max())
        support = _support(along + 6 + 2 * seeing**0.5, across + 5 + 2 * seeing**0.5)
    plan = Equaliser(
        psf, options, support, np.empty((0, 0, 0)), ln_widths, worst, variance
    )  # fmt: skip
    box, target = plan.box(), plan.target()
    kernels = np.array(
        [
            [
                solve_kernel(
                    box, box.spread(float(np.exp(w)), c), target, support, damping=options.damping
                )
                for c in range(psf.node_columns.size)
            ]
            for w in ln_widths
        ]
    )
    return Equaliser(psf, options, support, kernels, ln_widths, worst, variance)


def _support(half_line: float, half_column: float) -> Support:
    return make_support(
        *(int(np.clip(np.ceil(h), 2, _MAX_REACH)) for h in (half_line, half_column))
    )


def _widen(
    psf: PsfModel,
    options: EqualiseOptions,
    smear: tuple[float, float],
    best: float,
    worst: float,
    seeing: float,
) -> tuple[tuple[float, float], Support]:
    """Narrowest target that the extreme columns reach, and the support that it takes."""
    last = psf.node_columns.size - 1
    # The edges first: they fail first.
    probes = list(dict.fromkeys([last, 0, last // 4, 3 * last // 4, last // 2]))

    def plan(along: float, across: float) -> tuple[tuple[float, float], Support]:
        variance = (along * smear[0], across * smear[1])
        return variance, _support(*(3.0 * np.sqrt(v + seeing) + 1.5 for v in variance))

    def reached(along: float, across: float) -> bool:
        variance, support = plan(along, across)
        box = Box(psf, _stamp_half(psf, support))
        target = box.gaussian_target(worst, *variance)
        wanted = measure_widths(box.image(target), oversample=psf.oversample)
        for node in probes:
            for fwhm in sorted({best, worst}):
                spread = box.spread(fwhm, node)
                kernel = solve_kernel(box, spread, target, support, damping=options.damping)
                made = _report(box, spread, target, kernel, support)
                off = max(abs(a / b - 1.0) for a, b in zip(made.after, wanted, strict=True))
                if off > options.width_limit or made.noise > options.noise_limit:
                    return False
        return True

    both = next((f for f in _FACTORS if reached(f, f)), _FACTORS[-1])
    # Across the scan there is less to hide.
    across = next((f for f in _FACTORS[::2] if f < both and reached(both, f)), both)
    return plan(both, across)


def _stamp_half(psf: PsfModel, support: Support) -> int:
    return min(max(psf.half_size, support.half_line + 6), MAX_HALF_SIZE)


def halo_lines(equaliser: Equaliser) -> int:
    """Lines that a window must hold on both sides of those that are asked for.

    Parameters
    ----------
    equaliser : Equaliser

    Returns
    -------
    int
    """
    return equaliser.support.half_line + max(VARIANCE_STEP, 2 * FILL_REACH + 2)


def equalise_lines(
    image: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    equaliser: Equaliser,
    *,
    first_line: int,
    own: tuple[int, int],
) -> EqualisedLines:
    """Bring lines to the target's point spread.

    Parameters
    ----------
    image, variance : ndarray of shape (n_lines, n_columns), float32
        Sky-subtracted window of the strip and its variance.
    mask : ndarray of shape (n_lines, n_columns), uint16
        Nonzero is bad; so is what is not finite, or has no positive variance.
    equaliser : Equaliser
        Kernels.
    first_line : int
        Global number of the window's first line.
    own : tuple of int
        Half-open range of global lines wanted.  The window must reach `halo_lines` beyond, except
        at the ends of the strip, where it is mirrored and light from beyond counts as lost.

    Returns
    -------
    EqualisedLines
        Of the lines wanted; NaN nowhere, bad where the mask is nonzero.

    Raises
    ------
    ValueError
        If shapes disagree or the range does not lie in the window.
    """
    for name, array in (("variance", variance), ("mask", mask)):
        if image.ndim != 2 or array.shape != image.shape:
            msg = f"{name} must have the shape of image, two axes, got {array.shape}"
            raise ValueError(msg)
    n_lines, n_columns = image.shape
    start, stop = own[0] - first_line, own[1] - first_line
    if not 0 <= start < stop <= n_lines:
        msg = (
            f"own must lie in lines {first_line} to {first_line + n_lines} of the window, got {own}"
        )
        raise ValueError(msg)
    support = equaliser.support
    filled, noise, bad = fill_bad(image, variance, mask)
    a, b = support.half_line, support.half_column
    # Rows are taken on to whole steps of the variance, so that it is the same in every block.
    before = a + own[0] % VARIANCE_STEP
    after = a + (-own[1]) % VARIANCE_STEP + 1
    rows = np.arange(start - before, stop + after)
    there = (rows >= 0) & (rows < n_lines)
    columns = np.arange(-b, n_columns + b)
    inside = (columns >= 0) & (columns < n_columns)
    turned = _mirror(rows, n_lines)
    padded, noise = _pad(filled, turned, b), _pad(noise, turned, b)
    bits = np.where(bad, np.where(mask == 0, np.uint16(PixelMask.NO_DATA), mask), 0)
    bits = _pad(bits.astype(np.uint16), turned, b)
    bits[~there] = bits[:, ~inside] = np.uint16(PixelMask.NO_DATA)
    groups = np.arange(own[0] // LINE_GROUP, (own[1] - 1) // LINE_GROUP + 2)
    weights = equaliser.width_weights(groups * LINE_GROUP + (LINE_GROUP - 1) / 2.0)
    out = EqualisedLines(
        np.empty((stop - start, n_columns), dtype=np.float32),
        np.empty((stop - start, n_columns), dtype=np.float32),
        np.empty((stop - start, n_columns), dtype=np.uint16),
    )
    options = equaliser.options
    convolve_lines(
        padded, noise, bits, before, own[0], LINE_GROUP, weights.astype(np.float32),
        equaliser.table(n_columns), support.reach, _BRIGHT, options.lost_limit,
        options.bright_limit, *out,
    )  # fmt: skip
    return out


def _pad(image: NDArray[Any], rows: NDArray[np.int64], margin: int) -> NDArray[Any]:
    """Rows of an image with its first and last columns mirrored beyond both edges."""
    n = image.shape[1]
    out = np.empty((rows.size, n + 2 * margin), dtype=image.dtype)
    out[:, margin : margin + n] = image[rows]
    at = _mirror(np.arange(-margin, n + margin), n)
    for edge in (slice(0, margin), slice(n + margin, None)):
        out[:, edge] = image[:, at[edge]][rows]
    return out


def _mirror(at: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """Indices beyond the ends turned back at the edge."""
    period = 2 * n
    at = np.mod(at, period)
    return np.where(at >= n, period - 1 - at, at)
