"""The page of a night: calibration, strips, tiles, failures."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.finite import middle
from pipeline.flats import Flats
from pipeline.io.tables import read_table_meta
from pipeline.report.content import Column, Drawing, Grid, Picture, Section, grid_of
from pipeline.report.depth import depth_grid, draw_depth
from pipeline.report.figures import draw_calibration
from pipeline.report.strip_pieces import STRIP_COLUMNS, StripPart

__all__ = ["Cells", "describe_night", "find_cells"]


@dataclass(frozen=True)
class Cells:
    """Cells of the sky: tiles by strip, and stacks by cell, each in order of name."""

    tiles: Mapping[str, Sequence[Path]]
    stacks: Mapping[str, Sequence[Path]]


def find_cells(out: Path) -> Cells:
    """Look once for all tiles and stacks of a folder of products."""
    tiles: dict[str, list[Path]] = {}
    stacks: dict[str, list[Path]] = {}
    for path in sorted(out.glob("tiles/*/*.fits")):
        tiles.setdefault(path.stem, []).append(path)
    for path in sorted(out.glob("stacks/*_*.fits")):
        stacks.setdefault(path.stem.partition("_")[0], []).append(path)
    return Cells(tiles, stacks)


def describe_night(
    out: Path, night: str, strips: Sequence[StripPart], failed: Sequence[dict[str, Any]],
    ledger: Sequence[dict[str, Any]], flats: Flats, cells: Cells,
) -> list[Section]:  # fmt: skip
    """Sections of a night's page.

    Parameters
    ----------
    out : Path
        Folder of products.
    night : str
    strips : sequence of StripPart
        Of this night.
    failed, ledger : sequence of dict
        Rows that still stand as failures, and all rows, of this night.
    flats : Flats
        Column vectors of all nights.
    cells : Cells
        Tiles and stacks of all nights.

    Returns
    -------
    list of Section
    """
    overview = Section("overview", "Strips at a glance")
    if strips:
        overview.tables.append(
            Grid("Every strip of the night", STRIP_COLUMNS, [[*s.row.values()] for s in strips])
        )
    else:
        overview.paragraphs.append("No strip of this night has a catalogue.")
    sections = [overview, _calibration(out, night, flats)]
    sections += [s.section for s in strips]
    if strips:
        sections.append(_depth(strips))
    sections += [_tiles(strips, cells), _ledger(failed, ledger)]
    return sections


def _calibration(out: Path, night: str, flats: Flats) -> Section:
    section = Section("calibration", "Column calibration")
    mine = flats.of(night)
    found = list(mine)
    responses = [(p.stem.removesuffix("_response"), table) for p, table in mine.items()]
    changes = {
        label: (change.relative, change.others)
        for (label, _), change in zip(responses, map(flats.change, found), strict=True)
        if change is not None
    }
    darks = [(p.stem.removesuffix("_dark"), t) for p, t in flats.darks_of(night).items()]
    section.paragraphs += [
        text for key, text in flats.faults.items() if key.split("/")[1] == night
    ]  # fmt: skip
    if not responses and not darks:
        if not section.paragraphs:
            section.paragraphs.append("No column vectors were made from this night.")
        return section
    columns: list[tuple[Column, Any]] = []
    length = max(t["column"].size for _, t in (*responses, *darks))
    pick = np.unique(np.linspace(0, length - 1, 32).astype(int))
    columns.append((Column("column", "px"), pick))
    for kind, unit, tables in (
        ("response", "relative", responses),
        ("total", "electron", darks),
    ):
        for label, table in tables:
            for name in (kind, f"{kind}_err"):
                values = np.where(table["mask"] == 0, table[name], np.nan)
                padded = np.full(length, np.nan)
                padded[: values.size] = values
                shown = name.replace("total", "bias + dark").replace("_err", " error")
                columns.append((Column(f"{shown} {label}", unit, 5), padded[pick]))
    for label, (change, _) in changes.items():
        columns.append((Column(f"change {label}", "%", 3), 100.0 * change[pick]))
    section.pictures.append(
        Picture(
            "calibration", Drawing(draw_calibration, (responses, darks, changes)),
            f"Column response, its change, and bias + dark of {night} against column.",
            "Response of the columns; its change against the median of the other nights, less the "
            "chip's own median; and bias + dark.",
            grid_of(f"column vectors of {night}, every so many columns", columns),
        )
    )  # fmt: skip
    rows: list[list[Any]] = []
    for path, (label, table) in zip(found, responses, strict=True):
        header = read_table_meta(path)[0]
        rows += [
            [
                label, amplifier, int(np.count_nonzero(table["mask"])),
                100 * middle(table["response_err"][table["mask"] == 0]),
                *(header.get(f"{k}_{amplifier}") for k in ("GAIN", "EGN", "RDN", "ERDN")),
            ]
            for amplifier in sorted(
                k.removeprefix("GAIN_") for k in header if k.startswith("GAIN_")
            )
        ]  # fmt: skip
    heads = [
        Column("vector"), Column("amplifier"), Column("masked columns"),
        Column("response error", "%", 3), Column("gain", "electron/ADU", 4),
        Column("its error", "electron/ADU", 4), Column("read noise", "electron", 3),
        Column("its error", "electron", 3),
    ]  # fmt: skip
    if rows:
        section.tables.append(Grid("Measured gain and read noise", heads, rows))
    section.links = [
        (f"../../calibration/{night}/{p.name}", p.name)
        for p in sorted((out / "calibration" / night).iterdir())
        if p.is_file()
    ]
    return section


def _depth(strips: Sequence[StripPart]) -> Section:
    sets = [(s.name, s.depth) for s in strips]
    picture = Picture(
        "depth", Drawing(draw_depth, (sets, None)),
        "Median magnitude error and source counts against magnitude, for each strip.",
        "Error against magnitude, and counts, of each strip.", depth_grid(sets),
    )  # fmt: skip
    return Section("depth", "Depth", pictures=[picture])


def _tiles(strips: Sequence[StripPart], cells: Cells) -> Section:
    section = Section("tiles", "Tiles")
    for strip in strips:
        for path in cells.tiles.get(strip.name, ()):
            name = path.parent.name
            section.links.append((f"../../tiles/{name}/{path.name}", f"{name}, {strip.name}"))
            section.links += [
                (f"../../stacks/{s.name}", f"stack {s.stem}") for s in cells.stacks.get(name, ())
            ]
    section.links = list(dict.fromkeys(section.links))
    if section.links:
        section.paragraphs.append(
            "The cells of the sky grid that the night covers, and the stacks it went into; "
            "pictures of the stacks are on the page of all nights."
        )
    else:
        section.paragraphs.append("No tile was made from this night.")
    return section


def _ledger(failed: Sequence[dict[str, Any]], ledger: Sequence[dict[str, Any]]) -> Section:
    section = Section("failures", "Ledger of failures", links=[("../../ledger.jsonl", "ledger")])
    skipped = [r for r in ledger if r.get("state") == "skipped" and r.get("reason")]
    rows = [
        [r.get("strip", ""), r.get("step", ""), str(r.get("block") or ""), r.get("state", ""),
         r.get("reason", "")]
        for r in (*failed, *skipped)
    ]  # fmt: skip
    rows = [list(r) for r in dict.fromkeys(tuple(r) for r in rows)]
    if rows:
        heads = [Column(n) for n in ("strip", "step", "block", "state", "reason")]
        section.tables.append(Grid("What failed or was left out, and why", heads, rows))
    else:
        section.paragraphs.append("Nothing failed.")
    return section
