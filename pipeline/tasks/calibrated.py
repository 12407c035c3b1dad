"""Write calibrated lines as images, one file a block."""

from pathlib import Path

import numpy as np

from pipeline.config import Config
from pipeline.io.cards import make_site_cards, make_time_cards
from pipeline.io.images import write_image
from pipeline.io.provenance import Provenance
from pipeline.strip import SECONDS_PER_DAY, lines_to_mjd
from pipeline.tasks.context import StripContext, prepare_block
from pipeline.tasks.finish import strip_folder

__all__ = ["write_calibrated"]


def write_calibrated(
    config: Config, out: str, context: StripContext, provenance: Provenance, start: int, stop: int
) -> str:
    """Write one block of a calibrated strip: electrons with the sky, the sky, variance, mask.

    Parameters
    ----------
    config : Config
        The observatory.
    out : str
        Folder of products.
    context : StripContext
        The strip and its calibrations.
    provenance : Provenance
        Into the header.
    start, stop : int
        Half-open range of lines.

    Returns
    -------
    str
        The file.
    """
    strip = context.strip
    block = prepare_block(context, start, stop)
    sky = block.sky.image()
    begin, end = lines_to_mjd(strip, np.array([start, stop - 1], dtype=float))
    number = start // config.detection.block_lines + 1
    folder = strip_folder(Path(out), strip.night, strip.name)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"calibrated-{number:04d}.fits"
    header = {
        **make_time_cards(
            begin=begin, average=0.5 * (begin + end) - 0.5 * strip.T0 / SECONDS_PER_DAY, end=end,
            exposure=strip.T0,
        ),
        **make_site_cards(config.observatory),
        "STRIP": (strip.name, "strip"),
        "FILTER": (strip.filter, "filter"),
        "LINE0": (start, "line of the strip that is the first row here"),
        "LINEPER": (strip.line_period, "[s] line period"),
    }  # fmt: skip
    write_image(
        path,
        {
            "IMAGE": block.image + sky, "SKY": sky, "VARIANCE": block.variance,
            "MASK": block.mask,
        },
        header=header, image_header={},
        units={"IMAGE": "electron", "SKY": "electron", "VARIANCE": "electron2"},
        provenance=provenance, compress_masks=config.products.compress_masks,
    )  # fmt: skip
    return str(path)
