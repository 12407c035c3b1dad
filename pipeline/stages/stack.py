"""Combine the epochs of a tile: weights, rejection that spares stars, and a check of the scales.

All epochs are on one flux unit and one pixel grid.  Rejection compares each epoch with the lower
median of the epochs, and allows for what seeing and small errors of position do to a star: a
multiple of the dynamic range of the median image around the pixel, larger for an epoch whose
seeing differs more from the typical one.

A tile may be given whole or as an iterator of bands of rows; the result is the same, bit for bit.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.epoch_match import EpochMatch
from pipeline.stages.stack_kernels import HALO, stack_rows

__all__ = [
    "StackBand",
    "StackOptions",
    "StackResult",
    "TileBand",
    "stack_bands",
    "stack_tiles",
    "weigh_epochs",
]


@dataclass(frozen=True)
class StackOptions:
    """Tuning of the stack.

    Parameters
    ----------
    weighting : {"point_source", "variance"}
        Weight of an epoch: ``1 / (variance * fwhm**2)``, which is what its fitted star fluxes are
        worth when the background dominates, or ``1 / variance``, which is best for extended light
        and the same when the seeing is.  Filtering each epoch with its own point spread before the
        sum would be better still (Zackay & Ofek 2017, ApJ 836, 187), by little when seeing varies
        little.
    clip : float
        Rejection threshold, standard deviations.
    grow : float
        Threshold for the neighbours of a rejected pixel in its epoch, standard deviations.
    clip_epochs : int
        Pixels with fewer good epochs are not clipped; 2 or more.  With two, the reference is the
        lower one, so that of two that disagree the brighter is rejected.
    tolerance : float
        Part of the local range that an epoch of typical seeing may differ by.  Interpolation
        errors and offsets of 0.15 px need 0.1; the rest is for variable stars.
    seeing_tolerance : float
        Addition per unit of ``q**2 - 1``, q > 1 the ratio of the epoch's and the typical FWHM.
        Moffat profiles of beta 2.5 to 4.7 need 1.2 for q up to 1.55 and 1.5 up to 2.3.
    """

    weighting: Literal["point_source", "variance"] = "point_source"
    clip: float = 4.0
    grow: float = 2.5
    clip_epochs: int = 2
    tolerance: float = 0.5
    seeing_tolerance: float = 1.5

    def __post_init__(self) -> None:
        if self.weighting not in ("point_source", "variance"):
            msg = f'weighting must be "point_source" or "variance", got {self.weighting!r}'
            raise ValueError(msg)
        if self.clip_epochs < 2:
            msg = f"clip_epochs must be at least 2, got {self.clip_epochs}"
            raise ValueError(msg)
        for name in ("clip", "grow"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be positive, got {getattr(self, name)}"
                raise ValueError(msg)
        for name in ("tolerance", "seeing_tolerance"):
            if getattr(self, name) < 0:
                msg = f"{name} must not be negative, got {getattr(self, name)}"
                raise ValueError(msg)


class TileBand(NamedTuple):
    """Rows of all epochs: arrays of shape (n_epochs, rows, nx); masks nonzero where bad."""

    flux: NDArray[np.float32]
    variance: NDArray[np.float32]
    mask: NDArray[np.uint16]


class StackBand(NamedTuple):
    """Rows of a stack.

    ``flux`` and ``variance`` are NaN and ``mask`` nonzero where no epoch contributes; ``n_used``
    is the number of epochs summed, ``rejected`` the number of clipped pixels of each epoch.
    """

    flux: NDArray[np.float32]
    variance: NDArray[np.float32]
    n_used: NDArray[np.uint16]
    mask: NDArray[np.uint16]
    rejected: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class StackResult:
    """A stacked tile.

    Attributes
    ----------
    flux, variance : ndarray of shape (ny, nx), float32
        Weighted mean and its variance, covariances between pixels neglected; NaN where no epoch
        contributes.
    n_used : ndarray of shape (ny, nx), uint16
        Epochs summed.
    mask : ndarray of shape (ny, nx), uint16
        Zero where there is a value, otherwise all bits of all epochs.
    weights : ndarray of shape (n_epochs,)
        Relative weights of the epochs, of unit sum.
    rejected : ndarray of shape (n_epochs,)
        Clipped pixels of each epoch.
    """

    flux: NDArray[np.float32]
    variance: NDArray[np.float32]
    n_used: NDArray[np.uint16]
    mask: NDArray[np.uint16]
    weights: NDArray[np.float64]
    rejected: NDArray[np.int64]


def weigh_epochs(
    levels: NDArray[np.float64], fwhm: NDArray[np.float64], *, options: StackOptions
) -> NDArray[np.float64]:
    """Weights of the epochs, one for the whole tile.

    One weight per epoch and not per pixel: a weight that followed the variance of each resampled
    pixel would follow its sub-pixel phase, and so change the point spread from star to star.

    Parameters
    ----------
    levels : ndarray of shape (n_epochs,)
        Typical variance of a pixel of each epoch; NaN for an epoch without good pixels.
    fwhm : ndarray of shape (n_epochs,)
        Seeing of each epoch, px.
    options : StackOptions
        Tuning.

    Returns
    -------
    ndarray of shape (n_epochs,)
        Weights of unit sum; zero for epochs without level.
    """
    levels, fwhm = np.asarray(levels, dtype=float), np.asarray(fwhm, dtype=float)
    if levels.shape != fwhm.shape or not (np.isfinite(fwhm).all() and (fwhm > 0).all()):
        msg = f"fwhm must hold one positive value for each of {levels.size} epochs, got {fwhm}"
        raise ValueError(msg)
    use = np.isfinite(levels) & (levels > 0)
    cost = np.where(use, levels, np.inf)
    if options.weighting == "point_source":
        cost = cost * fwhm**2
    weights = 1.0 / cost
    return weights / weights.sum() if use.any() else weights


def stack_tiles(
    fluxes: NDArray[np.float32],
    variances: NDArray[np.float32],
    masks: NDArray[np.uint16],
    *,
    fwhm: NDArray[np.float64],
    options: StackOptions,
    match: EpochMatch | None = None,
    correlation: NDArray[np.float64] | None = None,
    widths: NDArray[np.float64] | None = None,
) -> StackResult:
    """Stack the epochs of a tile that are all in memory.

    Parameters
    ----------
    fluxes, variances : ndarray of shape (n_epochs, ny, nx), float32
        Epoch tiles on one flux unit; NaN is bad.
    masks : ndarray of shape (n_epochs, ny, nx), uint16
        `PixelMask` bits; nonzero is bad.
    fwhm : ndarray of shape (n_epochs,)
        Seeing, px.
    options : StackOptions
        Tuning.
    match : EpochMatch, optional
        Scales and offsets to apply.
    correlation : ndarray of shape (n_epochs,), optional
        Variance of point-source fluxes over that for white noise of the same pixels, of each
        epoch; only their ratios count.
    widths : ndarray of shape (n_epochs, ny), optional
        Width of stars in every row where seeing changed while the tile drifted by, any unit. The
        rejection allows for it; `fwhm` by default.

    Returns
    -------
    StackResult

    Raises
    ------
    ValueError
        When shapes disagree, or without epochs.
    """
    band = TileBand(fluxes, variances, masks)
    n = _check_band(band)
    scale = np.ones(n) if match is None else match.scale
    levels = np.array([_typical_variance(*e) for e in zip(fluxes, variances, masks, strict=True)])
    if correlation is not None:
        levels = levels * np.asarray(correlation, dtype=float)
    weights = weigh_epochs(levels * scale**2, fwhm, options=options)
    bands = stack_bands(
        [band], weights=weights, fwhm=fwhm if widths is None else widths, options=options,
        match=match,
    )  # fmt: skip
    parts = list(bands)
    return StackResult(
        flux=np.concatenate([p.flux for p in parts]),
        variance=np.concatenate([p.variance for p in parts]),
        n_used=np.concatenate([p.n_used for p in parts]),
        mask=np.concatenate([p.mask for p in parts]),
        weights=weights,
        rejected=np.sum([p.rejected for p in parts], axis=0),
    )


def stack_bands(
    bands: Iterable[TileBand],
    *,
    weights: NDArray[np.float64],
    fwhm: NDArray[np.float64],
    options: StackOptions,
    match: EpochMatch | None = None,
) -> Iterator[StackBand]:
    """Stack a tile that arrives in bands of rows; memory holds one band and a few rows.

    Parameters
    ----------
    bands : iterable of TileBand
        Bands that follow each other, of any height.
    weights : ndarray of shape (n_epochs,)
        From `weigh_epochs`.
    fwhm : ndarray of shape (n_epochs,) or (n_epochs, ny)
        Seeing, px; in every row of the tile where it changes.
    options : StackOptions
        Tuning.
    match : EpochMatch, optional
        Scales and offsets to apply.

    Yields
    ------
    StackBand
        Bands that follow each other; their heights differ from the input's by the halo.

    Raises
    ------
    ValueError
        When shapes disagree, or without epochs.
    """
    weights, fwhm = np.asarray(weights, dtype=float), np.asarray(fwhm, dtype=float)
    widths = fwhm[:, None] if fwhm.ndim == 1 else fwhm
    held: TileBand | None = None
    before = 0  # rows at the head of held that are halo only
    offset = 0  # row of the tile that is the first of held

    def combine(band: TileBand, start: int, stop: int) -> StackBand:
        n, rows = weights.size, band.flux.shape[1]
        here = widths if widths.shape[1] == 1 else widths[:, offset : offset + rows]
        if here.shape[1] not in (1, rows):
            msg = f"fwhm has {widths.shape[1]} rows, the tile has more"
            raise ValueError(msg)
        return StackBand(
            *stack_rows(
                *band,
                start,
                stop,
                np.ones(n) if match is None else match.scale,
                np.zeros(n) if match is None else match.offset,
                weights,
                _allow_for_seeing(band, np.broadcast_to(here, (n, rows)), options),
                options.clip,
                options.grow,
                options.clip_epochs,
            )
        )

    for band in bands:
        if _check_band(band) != weights.size or weights.size != fwhm.shape[0]:
            msg = (
                f"weights and fwhm must have one value for each of {band.flux.shape[0]} epochs, "
                f"got {weights.size} and {fwhm.shape[0]}"
            )
            raise ValueError(msg)
        held = band if held is None else _join(held, band)
        rows = held.flux.shape[1]
        stop = rows - HALO
        if stop > before:
            yield combine(held, before, stop)
            keep = max(stop - HALO, 0)
            held = TileBand(
                held.flux[:, keep:].copy(),
                held.variance[:, keep:].copy(),
                held.mask[:, keep:].copy(),
            )
            before = stop - keep
            offset += keep
    if held is not None and held.flux.shape[1] > before:
        yield combine(held, before, held.flux.shape[1])


def _allow_for_seeing(
    band: TileBand, widths: NDArray[np.float64], options: StackOptions
) -> NDArray[np.float64]:
    """Part of the local range that every epoch may differ by, in every row of a band.

    What is typical is the median width of the epochs that have anything in the row: where strips
    begin, others than on the rest of the tile.
    """
    there = ((band.mask == 0) & np.isfinite(band.flux)).any(axis=2)
    there[:, ~there.any(axis=0)] = True
    typical = np.nanmedian(np.where(there, widths, np.nan), axis=0)
    ratio = widths / typical
    return np.asarray(
        options.tolerance + options.seeing_tolerance * (np.maximum(ratio, 1 / ratio) ** 2 - 1)
    )


def _check_band(band: TileBand) -> int:
    """Number of epochs, after checking that the arrays agree."""
    if band.flux.ndim != 3 or band.flux.shape[0] == 0:
        msg = f"fluxes must have shape (n_epochs, ny, nx) with epochs, got {band.flux.shape}"
        raise ValueError(msg)
    for name, array in (("variances", band.variance), ("masks", band.mask)):
        if array.shape != band.flux.shape:
            msg = f"{name} must have the shape of fluxes, {band.flux.shape}, got {array.shape}"
            raise ValueError(msg)
    return int(band.flux.shape[0])


def _typical_variance(
    flux: NDArray[np.float32], variance: NDArray[np.float32], mask: NDArray[np.uint16]
) -> float:
    """Median variance of an epoch's good pixels, from every 16th of them; NaN without any."""
    thin = (slice(None, None, 4), slice(None, None, 4))
    good = variance[thin][(mask[thin] == 0) & np.isfinite(flux[thin])]
    good = good[np.isfinite(good) & (good > 0)]
    return float(np.median(good)) if good.size else float("nan")


def _join(first: TileBand, second: TileBand) -> TileBand:
    """Two bands that follow each other as one."""
    return TileBand(
        np.concatenate([first.flux, second.flux], axis=1),
        np.concatenate([first.variance, second.variance], axis=1),
        np.concatenate([first.mask, second.mask], axis=1),
    )
