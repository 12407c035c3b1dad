"""Room on the disk: what there is, and what the products of a run may take."""

import math
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from pipeline.config import Config
from pipeline.strip import Strip

__all__ = ["check_room", "describe_room", "estimate_bytes"]

# Bytes a pixel, as written: image, variance and mask, the mask compressed; stacks count epochs too.
_TILE, _STACK, _CALIBRATED = 9.6, 12.2, 12.8
_REST = 1.05  # catalogues, summaries, outcomes kept, the report
_FOLDERS = ("strips", "tiles", "stacks", "work", "report")


def estimate_bytes(strips: Sequence[Strip], config: Config) -> int:
    """Bytes that the products of strips take, to some tens of per cent.

    Parameters
    ----------
    strips : sequence of Strip
        Those with the shutter closed take next to nothing.
    config : Config
        Size of the tiles, and what is written.

    Returns
    -------
    int
        Nights of one filter and chip share their stacks.
    """
    size = config.tiles.size
    step = size - config.tiles.overlap
    pixels = 0.0
    stacks: dict[tuple[str, str], int] = {}
    for strip in strips:
        if not strip.shutter_open:
            continue
        count = math.ceil(strip.n_columns / step) * (math.ceil(strip.n_lines / step) + 1)
        place = (strip.chip, strip.filter)
        stacks[place] = max(count, stacks.get(place, 0))
        pixels += count * size**2 * _TILE
        if config.products.calibrated_strips:
            pixels += strip.n_lines * strip.n_columns * _CALIBRATED
    pixels += sum(stacks.values()) * size**2 * _STACK
    return int(pixels * _REST)


def _look(out: Path, strips: Sequence[Strip], config: Config) -> tuple[float, float]:
    """Bytes that are free, and those still needed beside what is there."""
    there = 0
    for name in _FOLDERS:
        for path in (out / name).rglob("*"):
            with suppress(OSError):
                there += path.stat().st_size if path.is_file() else 0
    return shutil.disk_usage(out).free, max(0.0, estimate_bytes(strips, config) - there)


def describe_room(out: Path, strips: Sequence[Strip], config: Config) -> str:
    """What the disk of a folder has free, and what is still needed, in words.

    Parameters
    ----------
    out : Path
        Folder of products.
    strips : sequence of Strip
        What is reduced.
    config : Config
        The observatory.

    Returns
    -------
    str
    """
    free, needed = _look(out, strips, config)
    return (
        f"the disk of {out} has {free / 1e9:.3f} GB free, about {needed / 1e9:.3f} GB more are "
        "needed"
    )


def check_room(out: Path, strips: Sequence[Strip], config: Config) -> list[str]:
    """Warn before the work of a disk that will not hold the products.

    Parameters
    ----------
    out, strips, config
        As for `describe_room`.

    Returns
    -------
    list of str
        Empty where there seems to be room.
    """
    free, needed = _look(out, strips, config)
    return [describe_room(out, strips, config)] if needed > free else []
