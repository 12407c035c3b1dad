"""Stack the epochs of a tile, measure the deep catalogue, and list what there is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.geometry.tiles import Tile, TileGrid
from pipeline.io.cards import make_site_cards, make_time_cards
from pipeline.io.columns import DEEP_CATALOGUE, OBSCORE
from pipeline.io.coverage import ImageRecord, make_obscore_rows, write_coverage
from pipeline.io.images import read_image, write_image
from pipeline.io.provenance import checksum_file, make_provenance
from pipeline.io.tables import write_table
from pipeline.stages.epoch_zones import find_zones
from pipeline.stages.resample import mean_noise_correlation
from pipeline.stages.stack import stack_tiles
from pipeline.stages.tile_noise import NoiseImages, combine_noise
from pipeline.stages.tile_psf import equivalent_widths
from pipeline.tasks.deep import TieStars, drop_twins, measure_tile
from pipeline.tasks.options import StageOptions
from pipeline.tasks.spread_mosaic import (
    describe_spread,
    pack_noise,
    pack_spread,
    unpack_noise,
    unpack_spread,
)
from pipeline.tasks.tiles import TILE_ZERO, EpochTile

__all__ = ["StackInput", "StackOutput", "merge_deep", "stack_path", "stack_tile"]

_ARCSEC = 3600.0


@dataclass(frozen=True)
class StackInput:
    """Epochs of one tile in one filter.

    Parameters
    ----------
    tile : str
        Name of the tile.
    filter : str
        Filter.
    epochs : tuple of EpochTile
        In order of night.
    stars : TieStars or None
        Reference stars that its magnitudes are tied to.
    """

    tile: str
    filter: str
    epochs: tuple[EpochTile, ...]
    stars: TieStars | None


@dataclass(frozen=True)
class StackOutput:
    """A stack on disk and its sources.

    Parameters
    ----------
    tile : Tile
        Where on the sky.
    filter : str
        Filter.
    path : str
        File.
    columns : dict of str to ndarray
        Deep catalogue of the tile's core.
    n_epochs : int
        Epochs stacked.
    mjd_begin, mjd_end : float
        UTC.
    exposure : float
        Seconds.
    fwhm : float
        Width of stars, px.
    problems : tuple of str
        What the reader should know.
    """

    tile: Tile
    filter: str
    path: str
    columns: dict[str, NDArray[Any]]
    n_epochs: int
    mjd_begin: float
    mjd_end: float
    exposure: float
    fwhm: float
    problems: tuple[str, ...]


def stack_path(out: Path, tile: str, filter_name: str) -> Path:
    """Where a stack lies."""
    return out / "stacks" / f"{tile}_{filter_name}.fits"


def stack_tile(
    config: Config, options: StageOptions, out: str, grid: TileGrid, job: StackInput
) -> StackOutput:
    """Stack a tile and measure its sources.

    Parameters
    ----------
    config : Config
        The observatory.
    options : StageOptions
        Tuning.
    out : str
        Folder of products.
    grid : TileGrid
        Says which sources belong to the tile's core.
    job : StackInput
        What to stack.

    Returns
    -------
    StackOutput
    """
    tile = job.epochs[0].tile
    read = [read_image(e.path) for e in job.epochs]
    planes = [images for images, _, _ in read]
    spreads = [unpack_spread(images["SPREAD"], header) for images, header, _ in read]
    flux = np.stack([p["FLUX"] for p in planes]).astype(np.float32)
    variance = np.stack([p["VARIANCE"] for p in planes]).astype(np.float32)
    mask = np.stack([p["MASK"] for p in planes]).astype(np.uint16)
    fwhm = np.array([e.fwhm for e in job.epochs])
    correlation = np.array([e.noise_factor for e in job.epochs])
    widths = np.array([equivalent_widths(s, np.arange(flux.shape[1])) for s in spreads])
    stack = stack_tiles(
        flux, variance, mask, fwhm=fwhm, widths=widths, options=options.stack,
        correlation=correlation,
    )  # fmt: skip
    noise = _combine_noise(planes, [h for _, h, _ in read], variance, stack.weights)
    columns, psf, problems = measure_tile(
        options, grid, job.epochs, stack, spreads=spreads, stars=job.stars, noise=noise,
        zones=find_zones((mask == 0) & np.isfinite(flux)),
    )  # fmt: skip
    spread = psf.images()
    path = stack_path(Path(out), job.tile, job.filter)
    path.parent.mkdir(parents=True, exist_ok=True)
    begin = min(e.mjd_begin for e in job.epochs)
    end = max(e.mjd_end for e in job.epochs)
    exposure = float(sum(e.exposure for e in job.epochs))
    width = float(np.average(fwhm, weights=np.asarray(stack.weights)))
    provenance = make_provenance(
        config, inputs=[(f"{e.tile.name}/{e.strip}", checksum_file(e.path)) for e in job.epochs]
    )  # fmt: skip
    header: dict[str, Any] = {
        **make_time_cards(
            begin=begin, average=float(np.mean([e.mjd_mean for e in job.epochs])), end=end,
            exposure=exposure,
        ),
        **make_site_cards(config.observatory),
        "FILTER": (job.filter, "filter"),
        "TILE": (job.tile, "cell of the sky grid"),
        "NEPOCHS": (len(job.epochs), "epochs"),
        "MAGZERO": (TILE_ZERO, "[mag] magnitude of a flux of 1"),
        "FWHM": (width, "[pixel] typical width of stars"),
        "NOISECOR": (
            mean_noise_correlation() if noise is None else float(np.median(noise.wide)),
            "variance of a wide sum over that of its pixels",
        ),
        **({} if noise is None else {"EQUALISE": (job.epochs[0].equalised, "target of epochs")}),
        "SPRDSTAR": (psf.n_stars, "stars that corrected SPREAD; 0: as predicted"),
        **describe_spread(spread),
    }  # fmt: skip
    for number, (epoch, weight, rejected) in enumerate(
        zip(job.epochs, stack.weights, stack.rejected, strict=True), start=1
    ):
        header[f"EPOCH{number:03d}"] = (epoch.strip, "strip")
        header[f"WGHT{number:03d}"] = (float(weight), "relative weight")
        header[f"REJ{number:03d}"] = (int(rejected), "pixels rejected as outliers")
    write_image(
        path,
        {
            "FLUX": stack.flux, "VARIANCE": stack.variance,
            "EPOCHS": stack.n_used.astype(np.int16), "MASK": stack.mask,
            "SPREAD": pack_spread(spread),
            **({} if noise is None else {"NOISE": pack_noise(noise)}),
        },
        header=header, image_header=tile.header_cards(), units={}, provenance=provenance,
        compress_masks=config.products.compress_masks,
    )  # fmt: skip
    return StackOutput(
        tile=tile, filter=job.filter, path=str(path), columns=columns, n_epochs=len(job.epochs),
        mjd_begin=begin, mjd_end=end, exposure=exposure, fwhm=width,
        problems=tuple(f"tile {job.tile}: {p}" for p in problems),
    )  # fmt: skip


def _combine_noise(
    planes: Sequence[Mapping[str, NDArray[Any]]],
    headers: Sequence[Mapping[str, Any]],
    variance: NDArray[np.float32],
    weights: NDArray[np.float64],
) -> NoiseImages | None:
    """Correlation of the noise of a stack of equalised epochs; None for plain ones."""
    if not all("NOISE" in p for p in planes):
        return None
    parts = [unpack_noise(p["NOISE"], h) for p, h in zip(planes, headers, strict=True)]
    level = np.array([np.nanmedian(v) for v in variance])
    share = np.where(np.isfinite(level), level, 0.0) * weights**2
    most = max(parts, key=lambda p: p.node_x.size)
    return combine_noise(parts, share, most.node_y, most.node_x)


def _records(
    config: Config, out: Path, parts: Sequence[StackOutput], tiles: Sequence[EpochTile]
) -> list[ImageRecord]:
    """One record per image product."""

    def record(
        path: str, tile: Tile, level: int, begin: float, end: float, exposure: float, fwhm: float,
        name: str, filter_name: str,
    ) -> ImageRecord:  # fmt: skip
        return ImageRecord(
            path=str(Path(path).relative_to(out)), obs_id=name, target=tile.name,
            calib_level=level, ra=tile.ra_deg, dec=tile.dec_deg,
            fov=tile.size * tile.pixel_scale / _ARCSEC, outline=tile.outline(2), t_min=begin,
            t_max=end, exposure=exposure, resolution=fwhm * tile.pixel_scale,
            shape=(tile.size, tile.size), facility=config.observatory.name, instrument="drift scan",
            filter=filter_name, size_bytes=Path(path).stat().st_size,
        )  # fmt: skip

    rows = [
        record(e.path, e.tile, 2, e.mjd_begin, e.mjd_end, e.exposure, e.fwhm, e.strip, e.filter)
        for e in tiles
    ]
    rows += [
        record(p.path, p.tile, 3, p.mjd_begin, p.mjd_end, p.exposure, p.fwhm,
               f"{p.tile.name}_{p.filter}", p.filter)
        for p in parts
    ]  # fmt: skip
    return rows


def merge_deep(
    config: Config, out: Path, parts: Sequence[StackOutput], tiles: Sequence[EpochTile]
) -> int:
    """Join the tiles' deep catalogues by filter; write coverage and the table of images.

    Parameters
    ----------
    config : Config
        The observatory.
    out : Path
        Folder of products.
    parts : sequence of StackOutput
        All stacks.
    tiles : sequence of EpochTile
        All epoch tiles.

    Returns
    -------
    int
        Sources in all deep catalogues.
    """
    count = 0
    for filter_name in sorted({p.filter for p in parts}):
        mine = sorted((p for p in parts if p.filter == filter_name), key=lambda p: p.tile.name)
        names = mine[0].columns.keys()
        columns = {n: np.concatenate([p.columns[n] for p in mine]) for n in names}
        order = np.lexsort((columns["dec"], columns["ra"]))
        columns = drop_twins({n: v[order] for n, v in columns.items()}, radius=1.0 / _ARCSEC)
        columns["source_id"] = np.arange(columns["ra"].size, dtype=np.int64)
        count += int(columns["ra"].size)
        (out / "deep").mkdir(parents=True, exist_ok=True)
        write_table(
            out / "deep" / filter_name, columns, schema=DEEP_CATALOGUE,
            meta={
                **make_site_cards(config.observatory),
                "FILTER": (filter_name, "filter"),
                "MAGZERO": (TILE_ZERO, "[mag] magnitude of a flux of 1"),
                "DETLIMIT": (config.detection.threshold, "[sigma] limit of the matched filter"),
            },
            provenance=make_provenance(
                config, inputs=[(Path(p.path).name, checksum_file(p.path)) for p in mine]
            ),
            formats=config.products.catalogue_formats, bits="flags",
        )  # fmt: skip
    if tiles:
        outlines = {e.tile.name: e.tile.outline(16) for e in tiles}
        # Cells of a quarter of a tile or less: finer than that the coverage says no more.
        side = tiles[0].tile.size * tiles[0].tile.pixel_scale / _ARCSEC
        order_of_cells = int(np.clip(np.ceil(np.log2(58.6 / (side / 16.0))), 6, 14))
        write_coverage(out / "coverage.fits", list(outlines.values()), order=order_of_cells)
        write_table(
            out / "obscore", make_obscore_rows(_records(config, out, parts, tiles)),
            schema=OBSCORE, meta={}, provenance=make_provenance(config), formats=("parquet",),
        )  # fmt: skip
    return count
