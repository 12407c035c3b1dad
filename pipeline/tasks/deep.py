"""Sources of a stack: measured, placed on the sky, tied to the reference magnitudes."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.constants import SIGMA_PER_MAD
from pipeline.geometry.tiles import Tile, TileGrid
from pipeline.io.columns import DEEP_CATALOGUE
from pipeline.stages.deep import DeepOptions, find_tile_psf, measure_deep
from pipeline.stages.deep_noise import localise_noise
from pipeline.stages.epoch_zones import Zone
from pipeline.stages.psf_fit import PsfFitOptions
from pipeline.stages.stack import StackResult
from pipeline.stages.tile_noise import NoiseImages
from pipeline.stages.tile_psf import SpreadImages, TilePsf, combine_spreads, half_size_of
from pipeline.tasks.options import StageOptions
from pipeline.tasks.tiles import TILE_ZERO, EpochTile

__all__ = ["TieStars", "drop_twins", "measure_tile"]

Columns = dict[str, NDArray[Any]]
_KINDS = ("psf", "aperture", "total")
_POGSON = 2.5 / np.log(10.0)
# A source on the border of two cores is placed a little differently by each tile: both keep what
# lies this close outside, and `drop_twins` leaves one.
_BORDER = 0.5
_FEWEST = 5  # reference stars below which no tie is made
_TIE_RADIUS = 2.0  # px
_TIE_SNR = 40.0
_FIT_FWHM = 1.3  # equalised stars are elongated: this reaches 2 standard deviations along the scan


@dataclass(frozen=True)
class TieStars:
    """Reference stars of a tile: position in its pixels, magnitude and error."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    mag: NDArray[np.float64]
    mag_err: NDArray[np.float64]


def measure_tile(
    options: StageOptions,
    grid: TileGrid,
    epochs: Sequence["EpochTile"],
    stack: StackResult,
    *,
    spreads: Sequence[SpreadImages],
    stars: TieStars | None,
    noise: NoiseImages | None = None,
    zones: Sequence[Zone] = (),
) -> tuple[Columns, TilePsf, tuple[str, ...]]:
    """Deep catalogue of a tile's core.

    Parameters
    ----------
    options : StageOptions
        Tuning.
    grid : TileGrid
        Says which sources belong to the core.
    epochs : sequence of EpochTile
        What was stacked.
    stack : StackResult
        Their stack.
    spreads : sequence of SpreadImages
        Their predicted point spreads.
    stars : TieStars or None
        Reference stars.
    noise : NoiseImages, optional
        Correlation of the stack's noise, of equalised epochs.
    zones : sequence of Zone
        Where which epochs contribute.

    Returns
    -------
    columns : dict of str to ndarray
    psf : TilePsf
        Point spread of the stack.
    problems : tuple of str
    """
    tile = epochs[0].tile
    share = np.asarray(stack.weights, dtype=float)
    share = share / share.sum()
    photon = float(np.sum(share**2 * np.array([e.electron for e in epochs])))
    deep = DeepOptions(
        aperture_radius=options.aperture_radius, detect=options.detect, total=options.total
    )
    predicted = combine_spreads(list(spreads), share, zones=zones)
    guess = TilePsf.from_images(predicted, half_size=half_size_of(predicted))
    local = None
    if noise is not None:
        local = localise_noise(noise, guess, (stack.flux.shape[0], stack.flux.shape[1]))
        # A broad point spread is fitted as far out as a sharp one, in its own widths.
        radius = min(max(deep.psf_fit.radius, _FIT_FWHM * guess.fwhm), guess.half_size - 1.0)
        deep = replace(deep, psf_fit=PsfFitOptions(radius=float(radius)))
    psf = find_tile_psf(
        stack.flux, stack.variance, stack.mask, guess, photon_variance=photon, options=deep,
        local=local,
    )  # fmt: skip

    def near_core(x: NDArray, y: NDArray) -> NDArray[np.bool_]:
        inside = np.zeros(np.shape(x), dtype=bool)
        for dx, dy in ((0, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
            at = tile.pixel_to_sky(x + dx * _BORDER, y + dy * _BORDER)
            inside |= grid.in_core(tile, *at)
        return inside

    table = measure_deep(
        stack.flux, stack.variance, stack.mask, stack.n_used, psf, photon_variance=photon,
        in_core=near_core, options=deep, local=local,
    ).table  # fmt: skip
    columns = _place_on_sky(tile, table)
    problems = _tie(columns, stars)
    kept = {c.name: columns[c.name] for c in DEEP_CATALOGUE if c.name in columns}
    return kept, psf, problems


def _place_on_sky(tile: Tile, table: Columns) -> Columns:
    """Add positions, magnitudes and the tile's name to measurements."""
    ra, dec = tile.pixel_to_sky(table["x"], table["y"])
    # x runs across the scan, along the declination, but for the angle: a degree or so.
    angle = np.radians(tile.angle_deg)
    to_east = np.hypot(np.sin(angle) * table["x_err"], np.cos(angle) * table["y_err"])
    to_north = np.hypot(np.cos(angle) * table["x_err"], np.sin(angle) * table["y_err"])
    columns = dict(table)
    columns |= {
        "ra": np.mod(ra, 360.0), "dec": dec,
        "ra_err": to_east * tile.pixel_scale, "dec_err": to_north * tile.pixel_scale,
        "tile": np.full(ra.size, tile.name), "source_id": np.arange(ra.size, dtype=np.int64),
    }  # fmt: skip
    for kind in _KINDS:
        flux, err = table[f"flux_{kind}"], table[f"flux_{kind}_err"]
        with np.errstate(invalid="ignore", divide="ignore"):
            positive = np.where(flux > 0, flux, np.nan)
            columns[f"mag_{kind}"] = TILE_ZERO - 2.5 * np.log10(positive)
            columns[f"mag_{kind}_err"] = _POGSON * err / positive
    return columns


def _tie(columns: Columns, stars: TieStars | None) -> tuple[str, ...]:
    """Shift magnitudes to the reference stars, in place; the error of the shift joins theirs.

    A stack's point spread is empirical and apertures lose light by its width, so each kind of
    magnitude has a constant of its own for the tile.
    """
    few = (f"fewer than {_FEWEST} reference stars: magnitudes are not tied to them",)
    if stars is None or stars.x.size < _FEWEST or columns["x"].size == 0:
        return few
    points = np.column_stack([columns["x"], columns["y"]])
    distance, index = cKDTree(points).query(np.column_stack([stars.x, stars.y]))
    with np.errstate(invalid="ignore", divide="ignore"):
        bright = columns["flux_psf"] > _TIE_SNR * columns["flux_psf_err"]
    use = (distance < _TIE_RADIUS) & (columns["flags"][index] == 0) & bright[index]
    if np.count_nonzero(use) < _FEWEST:
        return few
    rows = index[use]
    for kind in _KINDS:
        delta = stars.mag[use] - columns[f"mag_{kind}"][rows]
        error = np.hypot(stars.mag_err[use], columns[f"mag_{kind}_err"][rows])
        good = np.isfinite(delta) & np.isfinite(error) & (error > 0)
        for _ in range(5):
            weight = np.where(good, 1.0 / (error**2 + 1e-6), 0.0)  # 1 mmag of scatter besides
            mean = float(np.sum(weight * np.where(good, delta, 0.0)) / np.sum(weight))
            spread = SIGMA_PER_MAD * float(np.median(np.abs(delta[good] - mean)))
            good &= np.abs(delta - mean) < 4.0 * np.maximum(error, spread)
        shift_err = float(max(1.0 / np.sqrt(np.sum(weight)), spread / np.sqrt(good.sum())))
        columns[f"mag_{kind}"] = columns[f"mag_{kind}"] + mean
        columns[f"mag_{kind}_err"] = np.hypot(columns[f"mag_{kind}_err"], shift_err)
        # Flux and magnitude stay one statement: mag = 25 - 2.5 log10(flux).
        factor = 10.0 ** (-0.4 * mean)
        columns[f"flux_{kind}"] = columns[f"flux_{kind}"] * factor
        columns[f"flux_{kind}_err"] = columns[f"flux_{kind}_err"] * factor
    return ()


def drop_twins(columns: Columns, *, radius: float) -> Columns:
    """Leave one of each pair of entries that two tiles made of one source.

    Parameters
    ----------
    columns : dict of str to ndarray
        Deep catalogue of several tiles.
    radius : float
        Degrees within which entries of different tiles are one source.

    Returns
    -------
    dict of str to ndarray
    """
    ra, dec = np.radians(columns["ra"]), np.radians(columns["dec"])
    points = np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    if points.shape[0] < 2:
        return columns
    keep = np.ones(ra.size, dtype=bool)
    for i, j in sorted(cKDTree(points).query_pairs(np.radians(radius))):
        if keep[i] and keep[j] and columns["tile"][i] != columns["tile"][j]:
            keep[j] = False
    return {name: values[keep] for name, values in columns.items()}
