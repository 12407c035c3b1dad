"""The page of all nights: verdicts, trends, stacks, deep catalogue."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from pipeline.finite import middle
from pipeline.io.tables import read_table
from pipeline.report import figures
from pipeline.report.content import Column, Grid, Picture, Section
from pipeline.report.figures import _STYLE, PALETTE
from pipeline.report.night_page import depth_grid
from pipeline.report.read import StripProducts, limit_of, read_stacks

__all__ = ["describe_season", "draw_trends"]

_MOST_STACKS = 6
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


def describe_season(
    out: Path, strips: list[StripProducts], verdicts: Mapping[str, Any], failures: list[str]
) -> list[Section]:
    """Sections of the index.

    Parameters
    ----------
    out : Path
        Folder of products.
    strips : list of StripProducts
    verdicts : mapping of night to Verdict
    failures : list of str
        Those that stand, of files and of nights.

    Returns
    -------
    list of Section
    """
    rows = [_row(n, [s for s in strips if s.night == n], v) for n, v in sorted(verdicts.items())]
    links = {n: f"{n}/index.html" for n in verdicts}
    nights = Section("nights", "Nights", notes=failures)
    if rows:
        nights.tables.append(Grid("Every night", NIGHT_COLUMNS, rows, links))
    else:
        nights.paragraphs.append("No night was reduced.")
    told = Section("verdicts", "Verdicts", links=_tell_verdicts(verdicts))
    sections = [told, nights] if verdicts else [nights]
    if strips:
        sections += [_trends(rows), *_stacks(out, strips)]
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


def _row(night: str, strips: list[StripProducts], verdict: Any) -> list[Any]:
    def over(values: list[Any]) -> float:
        return middle(np.array([np.nan if v is None else v for v in values], dtype=float))

    return [
        night, verdict.word, len(strips), sum(int(s.catalogue["line"].size) for s in strips),
        over([middle(s.curves["fwhm"]) for s in strips]),
        over([middle(s.curves["sky"]) for s in strips]),
        over([middle(s.curves["zero_point"]) for s in strips]),
        over([limit_of(s.catalogue) for s in strips]),
        over([s.solution.get("rms_line") for s in strips]),
        over([s.solution.get("rms_column") for s in strips]),
        ", ".join(_faults(verdict)),
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
        "trends", draw_trends(rows),
        "Six panels against night: seeing, sky, zero point, depth, and residuals of positions.",
        "Medians of each night's strips.", grid,
    )  # fmt: skip
    return Section("trends", "Trends", pictures=[picture])


def _stacks(out: Path, strips: list[StripProducts]) -> list[Section]:
    paths = sorted(out.glob("deep/*.parquet")) or sorted(out.glob("deep/*.fits"))
    deep = read_table(paths[0]) if paths else None
    sets = [(s.name, s.catalogue) for s in strips[-_MOST_DEPTHS:]]
    both = [*sets, *([("stack", deep)] if deep is not None else [])]
    depth = Section("depth", "Deep catalogue")
    depth.pictures.append(
        Picture(
            "depth", figures.draw_depth(sets, deep),
            "Median magnitude error and source counts against magnitude: strips and stack.",
            "Error against magnitude, and counts, of the latest strips and of the stack.",
            depth_grid(both),
        )
    )  # fmt: skip
    if deep is not None:
        depth.paragraphs.append(f"{deep['ra'].size} sources in the deep catalogue.")
    depth.links = [
        (f"../{p.relative_to(out)}", p.name) for p in sorted(out.glob("deep/*")) if p.is_file()
    ]
    section = Section("stacks", "Stacks", paired=True)
    for stack in read_stacks(out, most=_MOST_STACKS):
        name = stack.path.stem
        good = np.isfinite(stack.variance) & (stack.variance > 0)
        noise = float(np.sqrt(np.median(stack.variance[good]))) if good.any() else None
        grid = Grid(
            f"stack {name}",
            [Column("stack"), Column("most epochs"), Column("epochs, mean", "", 2),
             Column("filled", "%", 1), Column("noise of a pixel, mag 25 is 1", "", 3),
             Column("pixel", "arcsec", 4)],
            [[name, stack.n_epochs, stack.epochs, 100 * stack.filled, noise, stack.scale]],
        )  # fmt: skip
        section.pictures.append(
            Picture(
                f"stack-{name}",
                figures.draw_tile(
                    stack.flux, stack.variance, pixel_scale=stack.scale, max_side=500,
                    title=f"Stack {name}: {stack.n_epochs} epochs",
                ),
                f"Image of stack {name}.",
                f"Stack {name}, stretched by the inverse hyperbolic sine; blue: no data.", grid,
            )
        )  # fmt: skip
    section.links = [(f"../stacks/{p.name}", p.name) for p in sorted(out.glob("stacks/*.fits"))]
    if not section.links:
        section.paragraphs.append("There are no stacks.")
    return [section, depth]
