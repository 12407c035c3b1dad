"""The page of all nights: verdicts, trends, stacks, deep catalogue."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from pipeline.finite import middle
from pipeline.io.tables import read_table
from pipeline.report.content import Column, Drawing, Grid, Picture, Section
from pipeline.report.depth import depth_grid, draw_depth, measure_depth
from pipeline.report.figures import _STYLE, PALETTE
from pipeline.report.kept import Made, Piece
from pipeline.report.strip_pieces import StripPart

__all__ = ["deep_piece", "describe_season", "draw_trends"]

_MOST_DEPTHS = 6  # curves that can be told apart
NIGHT_COLUMNS = (
    Column("night"), Column("verdict"), Column("strips"), Column("sources"),
    Column("seeing", "px", 2), Column("sky", "electron/px", 0), Column("zero point", "mag", 3),
    Column("limit S/N 5", "mag", 2), Column("residual line", "px", 3),
    Column("residual column", "px", 3), Column("findings"),
)  # fmt: skip
_TRENDS = (
    (4, "seeing FWHM\n[px]"), (5, "sky\n[electron/px]"), (6, "zero point\n[mag]"),
    (7, "limit S/N 5\n[mag]"), (8, "residual line\n[px]"), (9, "residual column\n[px]"),
)  # fmt: skip


def _make_deep(path: Path) -> Made:
    catalogue = read_table(path)
    return Made({"n_sources": int(catalogue["ra"].size), "depth": measure_depth(catalogue)})


def deep_piece(out: Path) -> Piece | None:
    """Numbers of the first deep catalogue, Parquet before FITS; None where there is none."""
    paths = sorted(out.glob("deep/*.parquet")) or sorted(out.glob("deep/*.fits"))
    return Piece("deep", "", _make_deep, (paths[0],), (paths[0],)) if paths else None


def describe_season(
    out: Path, strips: Mapping[str, Sequence[StripPart]], verdicts: Mapping[str, Any],
    failures: list[str], deep: Mapping[str, Any] | None,
) -> list[Section]:  # fmt: skip
    """Sections of the index, but for the stacks.

    Parameters
    ----------
    out : Path
        Folder of products.
    strips : mapping of night to sequence of StripPart
    verdicts : mapping of night to Verdict
    failures : list of str
        Those that stand, of files and of nights.
    deep : mapping or None
        What the piece of `deep_piece` gave.

    Returns
    -------
    list of Section
    """
    rows = [_row(n, strips.get(n, ()), v) for n, v in sorted(verdicts.items())]
    links = {n: f"{n}/index.html" for n in verdicts}
    nights = Section("nights", "Nights", notes=failures)
    if rows:
        nights.tables.append(Grid("Every night", NIGHT_COLUMNS, rows, links))
    else:
        nights.paragraphs.append("No night was reduced.")
    told = Section("verdicts", "Verdicts", links=_tell_verdicts(verdicts))
    sections = [told, nights] if verdicts else [nights]
    if parts := [part for night in sorted(strips) for part in strips[night]]:
        sections += [_trends(rows), _depth(out, parts[-_MOST_DEPTHS:], deep)]
    return sections


def _tell_verdicts(verdicts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """A line a night that can be read at any width: the table is wider than a telephone."""
    lines = []
    for night, verdict in sorted(verdicts.items()):
        faults = ", ".join(_faults(verdict)) or "nothing speaks against it"
        lines.append((f"{night}/index.html", f"{night}: {verdict.word}; {faults}"))
    return lines


def _faults(verdict: Any) -> list[str]:
    return list(dict.fromkeys(f.fault for f in verdict.findings if f.severity != "note"))


def _row(night: str, strips: Sequence[StripPart], verdict: Any) -> list[Any]:
    def over(name: str) -> float:
        values = [s.row[name] for s in strips]
        return middle(np.array([np.nan if v is None else v for v in values], dtype=float))

    return [
        night, verdict.word, len(strips), sum(s.row["sources"] for s in strips),
        *(over(c.name) for c in NIGHT_COLUMNS[4:-1]), ", ".join(_faults(verdict)),
    ]  # fmt: skip


def draw_trends(rows: list[list[Any]]) -> Figure:
    """Six quantities against night, one panel each.

    Parameters
    ----------
    rows : list of lists
        As the table of nights has them.

    Returns
    -------
    matplotlib.figure.Figure
    """
    at = np.arange(len(rows))
    shown = np.unique(np.linspace(0, len(rows) - 1, min(len(rows), 8)).round().astype(int))
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 5.4), layout="constrained")
        axes = fig.subplots(3, 2, sharex=True).ravel()
        for number, (ax, (index, label)) in enumerate(zip(axes, _TRENDS, strict=True)):
            values = np.array([r[index] for r in rows], dtype=float)
            ax.plot(at, values, "o-", ms=4, color=PALETTE[number])
            ax.set_ylabel(label)
            ax.ticklabel_format(axis="y", useOffset=False)
            if index == 7:
                ax.invert_yaxis()
        for ax in axes[-2:]:
            ax.set_xticks(shown, [rows[i][0] for i in shown], rotation=30, ha="right")
            ax.set_xlabel("night")
    return fig


def _trends(rows: list[list[Any]]) -> Section:
    grid = Grid("medians of the nights", NIGHT_COLUMNS, rows)
    picture = Picture(
        "trends", Drawing(draw_trends, (rows,)),
        "Six panels against night: seeing, sky, zero point, depth, and residuals of positions.",
        "Medians of each night's strips.", grid,
    )  # fmt: skip
    return Section("trends", "Trends", pictures=[picture])


def _depth(out: Path, strips: Sequence[StripPart], deep: Mapping[str, Any] | None) -> Section:
    sets = [(s.name, s.depth) for s in strips]
    both = [*sets, *([("stack", deep["depth"])] if deep is not None else [])]
    section = Section("depth", "Deep catalogue")
    section.pictures.append(
        Picture(
            "depth", Drawing(draw_depth, (sets, None if deep is None else deep["depth"])),
            "Median magnitude error and source counts against magnitude: strips and stack.",
            "Error against magnitude, and counts, of the latest strips and of the stack.",
            depth_grid(both),
        )
    )  # fmt: skip
    if deep is not None:
        section.paragraphs.append(f"{deep['n_sources']} sources in the deep catalogue.")
    section.links = [
        (f"../{p.relative_to(out)}", p.name) for p in sorted(out.glob("deep/*")) if p.is_file()
    ]
    return section
