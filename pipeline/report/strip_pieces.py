"""A strip as pieces of the report: its words and numbers, and each of its pictures."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.finite import middle
from pipeline.report.content import Column, Drawing, Section, pack_section, unpack_section
from pipeline.report.depth import measure_depth
from pipeline.report.kept import Made, Piece
from pipeline.report.read import StripProducts, limit_of, list_products, read_strip
from pipeline.report.strip_part import PICTURES, describe_strip

__all__ = ["STRIP_COLUMNS", "StripPart", "strip_pictures", "strip_piece"]

STRIP_COLUMNS = (
    Column("strip"), Column("lines"), Column("sources"), Column("sky", "electron/px", 0),
    Column("seeing", "px", 2), Column("zero point", "mag", 3), Column("limit S/N 5", "mag", 2),
    Column("cloudy", "%", 0), Column("residual line", "px", 3), Column("residual column", "px", 3),
    Column("zero point rms", "mag", 4), Column("reference stars"),
)  # fmt: skip


@dataclass(frozen=True)
class StripPart:
    """What pages need of a strip beside its pictures.

    Parameters
    ----------
    night, name : str
    row : mapping of str to number or None
        By name of a column of `STRIP_COLUMNS`; None where it was not measured.
    depth : mapping
        From `measure_depth`.
    section : Section
        Its pictures are pieces of their own.
    """

    night: str
    name: str
    row: Mapping[str, Any]
    depth: Mapping[str, Any]
    section: Section

    @classmethod
    def from_content(cls, content: Mapping[str, Any]) -> "StripPart":
        """From what `_make_strip` gave."""
        words = {name: content[name] for name in ("night", "name", "row", "depth")}
        return cls(section=unpack_section(content["section"]), **words)


def _row_of(strip: StripProducts) -> dict[str, Any]:
    curves, solution = strip.curves, strip.solution
    cloudy = 100.0 * float(np.mean(curves["cloudy"])) if curves["cloudy"].size else None
    values = [
        strip.name, int(solution["n_lines"]), int(strip.catalogue["line"].size),
        middle(curves["sky"]), middle(curves["fwhm"]), middle(curves["zero_point"]),
        limit_of(strip.catalogue), cloudy, solution.get("rms_line"), solution.get("rms_column"),
        solution.get("zero_point_rms"), solution.get("n_stars", 0),
    ]  # fmt: skip
    return dict(zip((c.name for c in STRIP_COLUMNS), values, strict=True))


def _make_strip(folder: Path) -> Made:
    """Read a strip, and make its part of the pages.

    Parameters
    ----------
    folder : Path
        Folder of the strip's products.

    Returns
    -------
    Made
        Its content is for `StripPart.from_content`.

    Raises
    ------
    ProductError
        If a product is missing or damaged.
    """
    strip = read_strip(folder)
    section = describe_strip(strip)
    content = {
        "night": strip.night, "name": strip.name, "row": _row_of(strip),
        "depth": measure_depth(strip.catalogue), "section": pack_section(section),
    }  # fmt: skip
    return Made(content)


def strip_piece(folder: Path) -> Piece:
    """Words and numbers of a strip; made again when any of its products changes."""
    night, name = folder.parent.name, folder.name
    return Piece(
        f"strips/{night}/{name}", night, _make_strip, (folder,), tuple(list_products(folder))
    )


def _make_picture(folder: Path, kind: str) -> Made:
    make, stems = PICTURES[kind]
    picture = make(read_strip(folder, stems))
    assert isinstance(picture.figure, Drawing)
    return Made(figures={picture.name: picture.figure.draw()})


def strip_pictures(out: Path, part: StripPart) -> list[Piece]:
    """Pictures of a strip, each as a piece: workers share them.

    Parameters
    ----------
    out : Path
        Folder of products.
    part : StripPart
        What the strip's own piece gave.

    Returns
    -------
    list of Piece
    """
    folder = out / "strips" / part.night / part.name
    files = list_products(folder)
    pieces = []
    for picture in part.section.pictures:
        kind = picture.name.removeprefix(f"{part.name}-")
        needed = {"solution", *PICTURES[kind][1]}
        pieces.append(
            Piece(
                f"pictures/{part.night}/{picture.name}", part.night, _make_picture, (folder, kind),
                tuple(p for p in files if p.stem in needed),
            )
        )  # fmt: skip
    return pieces
