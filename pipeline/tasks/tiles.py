"""Rectify a strip onto the tiles of the fixed sky grid."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import ConfigError
from pipeline.geometry.displacement import Displacement, make_displacement, tiles_of_strip
from pipeline.geometry.slip import put_back
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.tiles import Tile, TileGrid
from pipeline.io.behind import write_behind
from pipeline.io.cards import make_site_cards, make_time_cards
from pipeline.io.images import write_image
from pipeline.io.provenance import Provenance
from pipeline.stages import equalise
from pipeline.stages.equalise import EqualisedSpread, Equaliser, equalise_lines
from pipeline.stages.equalise_fit import measure_widths
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.resample import (
    halo_lines,
    kernel_transfer,
    mean_noise_correlation,
    resample_tile,
)
from pipeline.stages.tile_noise import NoiseImages, predict_noise
from pipeline.stages.tile_psf import (
    OVERSAMPLE,
    SpreadImages,
    TilePsf,
    half_size_of,
    place_tile_nodes,
    predict_spread,
)
from pipeline.strip import lines_to_mjd
from pipeline.tasks.catalogue import StripResult
from pipeline.tasks.context import prepare_block
from pipeline.tasks.spread_mosaic import describe_spread, pack_noise, pack_spread

__all__ = ["TILE_ZERO", "EpochTile", "make_grid", "plan_tiles", "rectify_tile", "tile_path"]

TILE_ZERO = 25.0  # magnitude of a flux of 1 in tiles, stacks and the deep catalogue
_PRECESSION_MARGIN = 10.0 / 60.0  # deg: thirty years
_OUTLINE = 16  # points a side
_STEP = 32  # px between nodes of the displacement grid
_SPREAD_HALF = 16  # px: half size of the stamps that a tile's point spread serves, or the strip's
_TOLERANCE = 1e-3  # px: a thousandth moves no flux that can be measured


@dataclass(frozen=True)
class EpochTile:
    """An epoch tile on disk.

    Parameters
    ----------
    tile : Tile
        Where on the sky.
    path : str
        File.
    night, strip, filter : str
        Where it comes from.
    fwhm : float
        Typical width of stars, px.
    covered : float
        Share of its pixels that hold data.
    mjd_begin, mjd_mean, mjd_end : float
        UTC.
    exposure : float
        Seconds.
    electron : float
        Flux of one electron, in the tile's unit.
    equalised : str
        Target of the equalisation; empty for a plain tile.
    noise_factor : float
        Variance of point-source fluxes over that for white noise of the same pixels; 1 where it
        is the resampling's alone.
    """

    tile: Tile
    path: str
    night: str
    strip: str
    filter: str
    fwhm: float
    covered: float
    mjd_begin: float
    mjd_mean: float
    mjd_end: float
    exposure: float
    electron: float
    equalised: str = ""
    noise_factor: float = 1.0


def make_grid(config: Config) -> TileGrid:
    """Sky grid of the observatory's band: it depends on the configuration alone.

    Parameters
    ----------
    config : Config
        The observatory.

    Returns
    -------
    TileGrid

    Raises
    ------
    ConfigError
        If the band cannot be cut into such tiles.
    """
    scale = config.tiles.pixel_scale or config.camera.pixel_scale
    half = config.camera.columns / 2 * config.camera.pixel_scale / 3600.0
    # The axis may be off by the search range, and a year of precession moves the band little more.
    # Precession moves a band fixed to the date by up to 20 arcsec a year against that of the epoch.
    margin = config.astrometry.search_pointing / 60.0 + _PRECESSION_MARGIN
    middle = config.axis_declination
    try:
        return TileGrid(
            dec_min_deg=max(middle - half - margin, -90.0),
            dec_max_deg=min(middle + half + margin, 90.0),
            size=config.tiles.size,
            overlap=config.tiles.overlap,
            pixel_scale=scale,
            epoch=config.tiles.epoch,
            column_sign=config.camera.column_sign,
        )
    except ValueError as error:
        msg = f"configuration: {error}; correct [tiles]"
        raise ConfigError(msg) from error


def plan_tiles(grid: TileGrid, result: StripResult) -> tuple[Tile, ...]:
    """Tiles that the complete part of a strip (after the ramp) touches.

    Parameters
    ----------
    grid : TileGrid
        Of the observatory.
    result : StripResult
        A strip with a solution.

    Returns
    -------
    tuple of Tile
        Without those across a place where lines were lost.
    """
    assert result.solution is not None
    strip = result.strip
    if strip.n_lines <= strip.n_stage:
        return ()
    found = tiles_of_strip(
        grid, result.solution, start_line=float(strip.n_stage), stop_line=float(strip.n_lines)
    )
    return tuple(t for t in found if not _is_cut(result.solution, t))


def _is_cut(solution: StripSolution, tile: Tile) -> bool:
    """Whether lines were lost within a tile: no smooth map leads across the place."""
    if not solution.slips:
        return False
    line, _ = solution.sky_to_strip(*tile.outline(_OUTLINE))
    low, high = np.nanmin(line), np.nanmax(line)
    return any(low - s.line_err <= s.line <= high + s.line_err for s in solution.slips)


def tile_path(out: Path, tile: Tile, strip_name: str) -> Path:
    """Where an epoch tile lies."""
    return out / "tiles" / tile.name / f"{strip_name}.fits"


def _scales(result: StripResult, low: int, high: int) -> tuple[NDArray, NDArray]:
    """Factors from electrons to tile flux, per line (NaN in cloud) and per column."""
    assert result.solution is not None
    assert result.zero_point is not None
    lines = np.arange(low, high, dtype=float)
    of_line = 10.0 ** (-0.4 * (result.zero_point.value(lines) - TILE_ZERO))
    of_line[result.zero_point.cloudy(lines)] = np.nan
    of_line[: max(0, result.strip.n_stage - low)] = np.nan  # the ramp
    columns = np.arange(result.strip.n_columns, dtype=float)
    ratio = result.solution.exposure_ratio(columns)
    of_column = result.solution.solid_angle_ratio(columns) / ratio
    if result.applied is not None:
        of_column = of_column * result.applied.factor(columns)
    return of_line, of_column


def _spread(
    result: StripResult,
    psf: PsfModel | EqualisedSpread,
    grid: Displacement,
    size: int,
    equaliser: Equaliser | None,
) -> tuple[SpreadImages, NoiseImages | None, NDArray[np.float64]]:
    """Point spread of the strip on a tile, from that of its lines after the resampling.

    With an equaliser also the correlation of the noise, and what the resampling leaves of the
    variance of a pixel, at the nodes.
    """
    node_y, node_x = place_tile_nodes(result.psf, size)
    y, x = np.meshgrid(node_y, node_x, indexing="ij")

    def at(y: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float64]:
        line, column, _ = grid.evaluate(x.ravel(), y.ravel())
        return np.stack([line, column]).reshape(2, *y.shape)

    line, column = at(y, x)
    half = _STEP / 2.0
    by_y = (at(y + half, x) - at(y - half, x)) / (2 * half)
    by_x = (at(y, x + half) - at(y, x - half)) / (2 * half)
    jacobian = np.moveaxis(np.stack([by_y, by_x], axis=1), (0, 1), (-2, -1))
    # Where the tile reaches beyond the chip there are no stars; the edge's form goes on.
    column = np.clip(column, 0.0, result.strip.n_columns - 1.0)
    spread = predict_spread(
        psf, node_y, node_x, line, column, jacobian,
        half_size=max(_SPREAD_HALF, psf.half_size),
    )  # fmt: skip
    if equaliser is None:
        return spread, None, np.ones(line.shape)
    lags = [
        [equaliser.noise_lags(float(a), float(b)) for a, b in zip(*pair, strict=True)]
        for pair in zip(line, column, strict=True)
    ]
    return (spread, *predict_noise(lags, jacobian, node_y, node_x))


def _equalised_cards(
    equaliser: Equaliser, spread: SpreadImages, noise: NoiseImages
) -> tuple[dict, float, float]:
    """Header cards of an equalised tile, its width and its noise factor."""
    middle = spread.images[spread.node_y.size // 2, spread.node_x.size // 2].astype(float)
    widths = measure_widths(middle, oversample=OVERSAMPLE)
    psf = TilePsf.from_images(spread, half_size=half_size_of(spread))
    factor = float(np.median(noise.point_source(psf)))
    cards = {
        "EQUALISE": (equaliser.options.target, "target that every column was brought to"),
        "EQALONG": (widths.along, "[pixel] standard deviation along the scan"),
        "EQACROSS": (widths.across, "[pixel] standard deviation across the scan"),
        "NOISEPNT": (factor, "variance of star fluxes over that of white noise"),
        "FWHM": (widths.peak, "[pixel] typical width of stars"),
        "NOISECOR": (
            float(np.median(noise.wide)), "variance of a wide sum over that of its pixels"
        ),
    }  # fmt: skip
    return cards, widths.peak, factor


def _plain_cards(config: Config, result: StripResult, tile: Tile, **times: float) -> dict:
    """Header cards of a tile; its width and noise where it is not equalised."""
    strip = result.strip
    return {
        **make_time_cards(**times, exposure=strip.T0),
        **make_site_cards(config.observatory),
        "FILTER": (strip.filter, "filter"),
        "STRIP": (strip.name, "strip"),
        "NIGHT": (strip.night, "date of the local noon before"),
        "TILE": (tile.name, "cell of the sky grid"),
        "MAGZERO": (TILE_ZERO, "[mag] magnitude of a flux of 1"),
        "ILLUMIN": (
            "not applied" if result.applied is None else "applied",
            "illumination by reference stars, to fluxes",
        ),
        "FWHM": (result.fwhm, "[pixel] typical width of stars"),
        "NOISECOR": (mean_noise_correlation(), "noise of a wide sum over that of its pixels"),
    }


def rectify_tile(
    config: Config,
    out: str,
    result: StripResult,
    provenance: Provenance,
    tiles: Sequence[Tile],
    equaliser: Equaliser | None = None,
) -> tuple[EpochTile, ...]:
    """Resample a strip onto tiles that share a range of lines, and write them.

    Parameters
    ----------
    config : Config
        The observatory.
    out : str
        Folder of products.
    result : StripResult
        A strip with solution and zero point.
    provenance : Provenance
        Into the header.
    tiles : sequence of Tile
        Tiles to fill.
    equaliser : Equaliser, optional
        Brings the lines to one point spread first.

    Returns
    -------
    tuple of EpochTile
        Without those that hold no data.
    """
    strip, solution = result.strip, result.solution
    assert solution is not None
    grids = [make_displacement(solution, t, step=_STEP, tolerance=_TOLERANCE) for t in tiles]
    reach = halo_lines()
    low = max(0, min(int(np.floor(np.nanmin(g.line))) for g in grids) - reach)
    high = min(strip.n_lines, max(int(np.ceil(np.nanmax(g.line))) for g in grids) + reach + 1)
    if high <= low:
        return ()
    of_line, of_column = _scales(result, low, high)
    if not np.isfinite(of_line).any():
        return ()
    halo = 0 if equaliser is None else equalise.halo_lines(equaliser)
    block = prepare_block(result.context, low - halo, high + halo)
    image, variance, mask = block.image, block.variance, block.mask
    if equaliser is not None:
        image, variance, mask = equalise_lines(
            image, variance, mask, equaliser, first_line=block.first_line, own=(low, high)
        )
    electron = float(np.nanmedian(of_line) * np.median(of_column))
    psf = result.psf.blurred(kernel_transfer) if equaliser is None else equaliser.spread()
    written = []
    with write_behind() as write:
        for tile, grid in zip(tiles, grids, strict=True):
            shape = (tile.size, tile.size)
            picture = resample_tile(
                image, variance, mask, first_line=low, grid_line=grid.line,
                grid_column=grid.column, grid_area=grid.area, step=grid.step, shape=shape,
                scale_of_line=of_line, scale_of_column=of_column,
                options=result.context.options.resample, correlated=equaliser is not None,
            )  # fmt: skip
            good = np.isfinite(picture.flux)
            if not good.any():
                continue
            middle = (tile.size - 1) / 2.0
            line, _, _ = grid.evaluate(np.array([middle]), np.array([middle]))
            span = np.clip(
                [np.nanmin(grid.line), float(line[0]), np.nanmax(grid.line)], 0, strip.n_lines
            )
            begin, mean, end = lines_to_mjd(
                strip, put_back(span, solution.slips) - strip.n_stage / 2
            )
            header = _plain_cards(config, result, tile, begin=begin, average=mean, end=end)
            spread, noise, share = _spread(result, psf, grid, tile.size, equaliser)
            header |= describe_spread(spread)
            fwhm, factor, planes = result.fwhm, 1.0, {}
            noise_variance = picture.variance
            if equaliser is not None and noise is not None:
                cards, fwhm, factor = _equalised_cards(equaliser, spread, noise)
                header |= cards
                at = np.arange(tile.size, dtype=float)
                left = noise.spread_over(share, at[:, None], at[None, :])
                noise_variance = (noise_variance * left).astype(np.float32)
                planes = {"NOISE": pack_noise(noise)}
            path = tile_path(Path(out), tile, strip.name)
            path.parent.mkdir(parents=True, exist_ok=True)
            write(
                write_image, path,
                {
                    "FLUX": picture.flux, "VARIANCE": noise_variance, "MASK": picture.mask,
                    "SPREAD": pack_spread(spread), **planes,
                },
                header=header, image_header=tile.header_cards(), units={}, provenance=provenance,
                compress_masks=config.products.compress_masks,
            )  # fmt: skip
            written.append(
                EpochTile(
                    tile=tile, path=str(path), night=strip.night, strip=strip.name,
                    filter=strip.filter, fwhm=fwhm, covered=float(good.mean()),
                    mjd_begin=float(begin), mjd_mean=float(mean), mjd_end=float(end),
                    exposure=strip.T0, electron=electron,
                    equalised="" if equaliser is None else equaliser.options.target,
                    noise_factor=factor,
                )
            )  # fmt: skip
    return tuple(written)
