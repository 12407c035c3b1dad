"""What a page is made of: tables whose numbers go to JSON as shown, pictures with tables."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from typing import Any

import numpy as np
from matplotlib.figure import Figure

__all__ = [
    "Column",
    "Drawing",
    "Grid",
    "InlinePicture",
    "Picture",
    "Section",
    "grid_of",
    "pack_section",
    "unpack_section",
]

Cell = float | int | str | None


@dataclass(frozen=True)
class Column:
    """Head of a column: its name, unit and the decimals shown; or words, set to the left."""

    name: str
    unit: str = ""
    digits: int = 0
    words: bool = False


@dataclass(frozen=True)
class Grid:
    """A table; cells are text, numbers, or None where nothing was measured.

    Parameters
    ----------
    caption : str
    columns : sequence of Column
    rows : sequence of sequences
        Numbers are rounded to the column's decimals, on the page and in JSON alike.
    links : mapping of str to str, optional
        Targets for texts of the first column, relative to the page.
    """

    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    links: Mapping[str, str] = field(default_factory=dict)

    def texts(self) -> list[list[str]]:
        """Cells as the page shows them."""
        return [
            [_text(c, column.digits) for c, column in zip(row, self.columns, strict=True)]
            for row in self.rows
        ]

    def as_json(self) -> dict[str, Any]:
        """The same numbers for programs."""
        return {
            "caption": self.caption,
            "columns": [{"name": c.name, "unit": c.unit} for c in self.columns],
            "rows": [
                [_value(c, column.digits) for c, column in zip(row, self.columns, strict=True)]
                for row in self.rows
            ],
        }


@dataclass(frozen=True)
class Drawing:
    """A figure that is drawn later, perhaps elsewhere: a function, and what it takes."""

    function: Callable[..., Figure]
    args: tuple[Any, ...]
    words: Mapping[str, str] = field(default_factory=dict)

    def draw(self) -> Figure:
        """The figure."""
        return self.function(*self.args, **self.words)


@dataclass(frozen=True)
class Picture:
    """A figure, or an image beside the page, with the table behind it.

    There is no figure where the image is there already.
    """

    name: str
    figure: Figure | Drawing | None
    alt: str
    caption: str
    grid: Grid

    @property
    def src(self) -> str:
        """File on light ground."""
        return f"{self.name}.png"

    @property
    def dark(self) -> str:
        """File on dark ground."""
        return f"{self.name}-dark.png"


@dataclass(frozen=True)
class InlinePicture(Picture):
    """A figure within the page itself, as data URIs."""

    light_uri: str
    dark_uri: str

    @property
    def src(self) -> str:
        """On light ground."""
        return self.light_uri

    @property
    def dark(self) -> str:
        """On dark ground."""
        return self.dark_uri


@dataclass
class Section:
    """A part of a page."""

    id: str
    title: str
    paragraphs: list[str] = field(default_factory=list)
    tables: list[Grid] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    links: list[tuple[str, str]] = field(default_factory=list)
    paired: bool = False


def grid_of(caption: str, columns: Sequence[tuple[Column, Any]]) -> Grid:
    """Table from columns of values of one length.

    Parameters
    ----------
    caption : str
    columns : sequence of (Column, array)

    Returns
    -------
    Grid
    """
    lists = [np.asarray(values).tolist() for _, values in columns]
    return Grid(caption, [c for c, _ in columns], list(zip(*lists, strict=True)))


def pack_section(section: Section) -> dict[str, Any]:
    """A section in what JSON has, without its figures; numbers are rounded as the page shows them.

    Parameters
    ----------
    section : Section

    Returns
    -------
    dict
        For `unpack_section`.
    """
    packed: dict[str, Any] = {
        name: getattr(section, name)
        for name in ("id", "title", "paragraphs", "notes", "paired")
    }  # fmt: skip
    packed["links"] = [list(link) for link in section.links]
    packed["tables"] = [_pack_grid(t) for t in section.tables]
    packed["pictures"] = [
        {"name": p.name, "alt": p.alt, "caption": p.caption, "grid": _pack_grid(p.grid)}
        for p in section.pictures
    ]
    return packed


def unpack_section(packed: Mapping[str, Any]) -> Section:
    """The section of which `pack_section` made this; its pictures are beside the page.

    Parameters
    ----------
    packed : mapping

    Returns
    -------
    Section
    """
    content = dict(packed)
    content["links"] = [(href, text) for href, text in packed["links"]]
    content["tables"] = [_unpack_grid(t) for t in packed["tables"]]
    content["pictures"] = [
        Picture(p["name"], None, p["alt"], p["caption"], _unpack_grid(p["grid"]))
        for p in packed["pictures"]
    ]
    return Section(**content)


def _pack_grid(grid: Grid) -> dict[str, Any]:
    return {
        "caption": grid.caption,
        "columns": [list(astuple(c)) for c in grid.columns],
        "rows": grid.as_json()["rows"],
        "links": dict(grid.links),
    }


def _unpack_grid(packed: Mapping[str, Any]) -> Grid:
    columns = [Column(*c) for c in packed["columns"]]
    return Grid(packed["caption"], columns, packed["rows"], packed["links"])


def _value(cell: Cell, digits: int) -> Cell:
    if cell is None or isinstance(cell, str):
        return cell
    if not np.isfinite(cell):
        return None
    return round(float(cell), digits) if digits else round(float(cell))


def _text(cell: Cell, digits: int) -> str:
    if isinstance(cell, str):
        return cell
    value = _value(cell, digits)
    return "–" if value is None else f"{value:.{digits}f}"
