"""Stacks on the page of all nights: which have most epochs, and a picture of each of these."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.io.images import read_image, read_plane
from pipeline.report import figures
from pipeline.report.content import Column, Grid, Picture, Section
from pipeline.report.kept import Made, Piece

__all__ = ["describe_stacks", "epochs_piece", "stack_piece"]

_COLUMNS = (
    Column("stack"), Column("most epochs"), Column("epochs, mean", "", 2),
    Column("filled", "%", 1), Column("noise of a pixel, mag 25 is 1", "", 3),
    Column("pixel", "arcsec", 4),
)  # fmt: skip


def _count_epochs(path: Path) -> Made:
    return Made({"epochs": float(np.mean(read_plane(path, "EPOCHS")))})


def epochs_piece(path: Path) -> Piece:
    """Mean number of epochs of a stack's pixels, as a piece: the plane is read once."""
    return Piece(f"epochs/{path.stem}", "", _count_epochs, (path,), (path,))


def _make_stack(path: Path, epochs: float) -> Made:
    images, header, heads = read_image(path)
    flux, variance = images["FLUX"], images["VARIANCE"]
    scale = float(np.hypot(heads["FLUX"]["CD1_1"], heads["FLUX"]["CD2_1"])) * 3600.0
    n_epochs = int(header["NEPOCHS"])
    good = np.isfinite(variance) & (variance > 0)
    noise = float(np.sqrt(np.median(variance[good]))) if good.any() else None
    filled = float(np.mean(np.isfinite(flux)))
    name = path.stem
    figure = figures.draw_tile(
        flux, variance, pixel_scale=scale, max_side=500, title=f"Stack {name}: {n_epochs} epochs"
    )
    row = [name, n_epochs, epochs, 100 * filled, noise, scale]
    return Made({"row": row}, {f"stack-{name}": figure})


def stack_piece(path: Path, epochs: float) -> Piece:
    """Picture and numbers of a stack.

    Parameters
    ----------
    path : Path
        Stack.
    epochs : float
        Mean of its pixels.

    Returns
    -------
    Piece
    """
    return Piece(f"stacks/{path.stem}", "", _make_stack, (path, epochs), (path,))


def describe_stacks(out: Path, stacks: Sequence[Mapping[str, Any]]) -> Section:
    """Section of the stacks.

    Parameters
    ----------
    out : Path
        Folder of products.
    stacks : sequence of mapping
        What the pieces of `stack_piece` gave, best first.

    Returns
    -------
    Section
    """
    section = Section("stacks", "Stacks", paired=True)
    for content in stacks:
        name = content["row"][0]
        section.pictures.append(
            Picture(
                f"stack-{name}", None, f"Image of stack {name}.",
                f"Stack {name}, stretched by the inverse hyperbolic sine; blue: no data.",
                Grid(f"stack {name}", _COLUMNS, [content["row"]]),
            )
        )  # fmt: skip
    section.links = [(f"../stacks/{p.name}", p.name) for p in sorted(out.glob("stacks/*.fits"))]
    if not section.links:
        section.paragraphs.append("There are no stacks.")
    return section
