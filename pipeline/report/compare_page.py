"""The page of a comparison: every picture with the numbers behind it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader
from matplotlib.figure import Figure

from pipeline.io.atomic import replace_file, write_text
from pipeline.report import compare_figures as draw
from pipeline.report.compare_measure import KINDS, CompareOptions
from pipeline.report.compare_tables import Rows, StripChange

__all__ = ["write_page"]

Cells = Sequence[Sequence[str]]
_MOST_ROWS = 60


@dataclass(frozen=True)
class Grid:
    """A table: heads with units, rows of text, and the files that hold all of it."""

    caption: str
    head: Sequence[tuple[str, str]]
    rows: Cells
    files: str


@dataclass(frozen=True)
class Picture:
    """A picture, what it shows, and the table behind it."""

    src: str
    alt: str
    caption: str
    grid: Grid


@dataclass
class Section:
    """A part of the page."""

    id: str
    title: str
    paragraphs: list[str] = field(default_factory=list)
    tables: list[Grid] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)


class _Pictures:
    """Saves figures and remembers their names."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.names: list[str] = []

    def save(self, name: str, figure: Figure, caption: str, alt: str, grid: Grid) -> Picture:
        with replace_file(self.folder / f"{name}.png") as partial:
            figure.savefig(partial, format="png", dpi=110)
        self.names.append(f"{name}.png")
        return Picture(f"{name}.png", alt, caption, grid)


def write_page(
    folder: Path,
    rows: Rows,
    strips: Sequence[StripChange],
    *,
    identical: bool,
    names: tuple[str, str],
    problems: Sequence[str],
    options: CompareOptions,
) -> tuple[str, ...]:
    """Draw the pictures and write ``index.html``.

    Parameters
    ----------
    folder : Path
        Where to.
    rows : Rows
        The tables.
    strips : sequence of StripChange
        Those with a catalogue on both sides.
    identical : bool
        Every product of both sides holds the same values.
    names : tuple of str
        The folders, old and new, as the page names them.
    problems : sequence of str
        What was missing or damaged.
    options : CompareOptions
        How it was done.

    Returns
    -------
    tuple of str
        Names of the pictures.

    Raises
    ------
    ProductError
        If the system refuses.
    """
    pictures = _Pictures(folder)
    sections = []
    if rows.strips:
        sections.append(_section_strips(rows, pictures, options))
    if rows.responses:
        sections.append(_section_responses(rows, pictures))
    if rows.stacks:
        sections.append(_section_stacks(rows, pictures))
    sections += [_section_strip(s, pictures) for s in strips]
    environment = Environment(
        loader=PackageLoader("pipeline.report"), autoescape=True, trim_blocks=True
    )
    html = environment.get_template("compare.html").render(
        old=names[0], new=names[1], identical=identical, problems=problems, sections=sections,
        options=options, facts=_facts(rows, options),
    )  # fmt: skip
    write_text(folder / "index.html", html)
    return tuple(pictures.names)


def _number(value: float, digits: int, *, factor: float = 1.0, sign: bool = False) -> str:
    if not np.isfinite(value):
        return "–"
    text = f"{factor * value:{'+' if sign else ''}.{digits}f}"
    # No sign on a zero: nothing changed.
    return text.lstrip("+-") if float(text) == 0.0 else text.replace("-", "\u2212")


def _with_error(row: Mapping[str, Any], name: str, digits: int, factor: float = 1.0) -> str:
    value, error = row[name], row[f"{name}_err"]
    if not np.isfinite(value):
        return "–"
    text = _number(value, digits, factor=factor, sign=True)
    return f"{text} ± {_number(error, digits, factor=factor)}"


def _table(
    caption: str,
    files: str,
    rows: Sequence[Mapping[str, Any]],
    columns: Sequence[tuple[str, str, Callable[[Mapping[str, Any]], str]]],
) -> Grid:
    """A table by its columns: head, unit, and how a row is put into words."""
    step = -(-len(rows) // _MOST_ROWS) or 1
    if step > 1:
        caption = f"{caption} (every {step}th row)"
    cells = [[tell(row) for _, _, tell in columns] for row in rows[::step]]
    return Grid(caption, [(head, unit) for head, unit, _ in columns], cells, files)


def _text(name: str) -> Callable[[Mapping[str, Any]], str]:
    return lambda r: str(r[name])


def _mmag(name: str) -> Callable[[Mapping[str, Any]], str]:
    return lambda r: _with_error(r, name, 2, 1e3)


def _plain(name: str, digits: int, factor: float = 1.0) -> Callable[[Mapping[str, Any]], str]:
    return lambda r: _number(r[name], digits, factor=factor)


def _ratio(row: Mapping[str, Any]) -> str:
    moved = {"r": row["response_ratio"] - 1.0, "r_err": row["response_ratio_err"]}
    return _with_error(moved, "r", 3, 100.0)


def _facts(rows: Rows, options: CompareOptions) -> list[tuple[str, str]]:
    """The few numbers that tell most."""
    if not rows.strips:
        return []
    total = {
        k: sum(int(r[k]) for r in rows.strips)
        for k in ("n_kept", "n_lost", "n_gained", "n_changed_psf")
    }
    facts = [
        ("strips compared", f"{len(rows.strips)}"),
        ("sources kept", f"{total['n_kept']}"),
        ("lost", f"{total['n_lost']}"),
        ("gained", f"{total['n_gained']}"),
        (
            f"magnitudes (psf) changed by more than {options.significance:g} of their errors",
            f"{total['n_changed_psf']}",
        ),
    ]
    middle = [abs(r["mag_psf_change"]) for r in rows.strips if np.isfinite(r["mag_psf_change"])]
    if middle:
        facts.append(("largest median change of a strip", f"{1e3 * max(middle):.2f} mmag"))
    depth = [r["depth_change"] for r in rows.stacks if np.isfinite(r["depth_change"])]
    if depth:
        text = _number(float(np.median(depth)), 2, factor=1e3, sign=True)
        facts.append(("median change of depth", f"{text} mmag"))
    return facts


def _section_strips(rows: Rows, pictures: _Pictures, options: CompareOptions) -> Section:
    section = Section("strips", "Strips at a glance")
    section.paragraphs.append(
        f"Sources are paired one to one by line and column within {options.radius:g} px. "
        f"Medians are of sources without flags on both sides; their errors come from the scatter "
        f"of the changes, since both sides measure the same light. A magnitude counts as changed "
        f"when it moved by more than {options.significance:g} of its own errors."
    )
    strips = rows.strips
    section.tables.append(
        _table("Sources and solution", "strips", strips, [
            ("strip", "", _text("strip")), ("kept", "", _text("n_kept")),
            ("lost", "", _text("n_lost")), ("gained", "", _text("n_gained")),
            ("other flags", "", _text("n_flags_changed")),
            *((f"changed, {k}", "", _text(f"n_changed_{k}")) for k in KINDS),
            ("line", "0.001 px", lambda r: _with_error(r, "line_change", 2, 1e3)),
            ("column", "0.001 px", lambda r: _with_error(r, "column_change", 2, 1e3)),
            ("ra", "mas", lambda r: _with_error(r, "ra_change", 2, 1e3)),
            ("dec", "mas", lambda r: _with_error(r, "dec_change", 2, 1e3)),
        ])
    )  # fmt: skip
    section.tables.append(
        _table("Spread of the changes and size of the error bars", "strips", strips, [
            ("strip", "", _text("strip")),
            *((f"spread, {k}", "mmag", _plain(f"mag_{k}_spread", 2, 1e3)) for k in KINDS),
            *((f"error, {k}", "new/old", _plain(f"mag_{k}_error_ratio", 4)) for k in KINDS),
            ("zero point rms", "mmag, old → new", lambda r: " → ".join(
                _number(r[f"zero_point_rms_{s}"], 1, factor=1e3) for s in ("old", "new"))),
            ("rms line", "px, old → new", lambda r: " → ".join(
                _number(r[f"rms_line_{s}"], 4) for s in ("old", "new"))),
            ("rms column", "px, old → new", lambda r: " → ".join(
                _number(r[f"rms_column_{s}"], 4) for s in ("old", "new"))),
        ])
    )  # fmt: skip
    grid = _table("Magnitudes, zero points, trends", "strips", strips, [
        ("strip", "", _text("strip")),
        *((k, "mmag", _mmag(f"mag_{k}_change")) for k in KINDS),
        ("zero point", "mmag", _mmag("zero_point_change")),
        ("largest", "mmag", _plain("zero_point_most", 2, 1e3)),
        ("trend, old", "mmag", _mmag("trend_old")), ("trend, new", "mmag", _mmag("trend_new")),
        ("its change", "mmag", _mmag("trend_change")), ("stars", "", _text("n_trend")),
        ("response", "% of change", _ratio),
    ])  # fmt: skip
    section.pictures.append(
        pictures.save(
            "strips", draw.draw_overview(strips),
            "Left: median change of the magnitudes of each strip, and that of its zero point, "
            "which makes good for a change of the whole response and hence need not be zero. "
            "Right: what bright reference stars (stated error below "
            f"{1e3 * options.bright_error:g} mmag) gain from the first column to the last, "
            "before and after, with errors.",
            f"Points with error bars for each of {len(strips)} strips: median change of magnitude "
            "on the left, trend of bright stars with column before and after on the right.", grid,
        )
    )  # fmt: skip
    return section


def _section_responses(rows: Rows, pictures: _Pictures) -> Section:
    section = Section("responses", "Column response")
    found = []
    for t in rows.responses:
        ratio = t["response_ratio"][np.isfinite(t["response_ratio"])]
        stated = t["response_ratio_err"][np.isfinite(t["response_ratio"])]
        empty = not ratio.size
        found.append({
            "night": t["night"][0], "vector": t["vector"][0], "n": len(ratio),
            "middle": np.nan if empty else np.median(ratio) - 1.0,
            "rms": np.nan if empty else np.std(ratio),
            "most": np.nan if empty else np.abs(ratio - 1.0).max(),
            "stated": np.nan if empty else np.median(stated),
            "masked": " → ".join(
                str(np.count_nonzero(t[f"mask_{s}"])) for s in ("old", "new")),
        })  # fmt: skip
    grid = _table("Response vectors, new over old", "responses", found, [
        ("night", "", _text("night")), ("vector", "", _text("vector")),
        ("columns compared", "", _text("n")), ("masked", "old → new", _text("masked")),
        ("median", "%", lambda r: _number(r["middle"], 4, factor=100.0, sign=True)),
        ("rms", "%", _plain("rms", 4, 100.0)), ("largest", "%", _plain("most", 3, 100.0)),
        ("stated error", "%", _plain("stated", 4, 100.0)),
    ])  # fmt: skip
    section.pictures.append(
        pictures.save(
            "responses", draw.draw_responses(rows.responses),
            "Ratio of the responses that the strips of each night were divided by. The stated "
            "errors are those of two independent vectors, an upper bound where both are made of "
            "the same nights.",
            f"Ratio of new to old response against column for {len(found)} vectors.", grid,
        )
    )  # fmt: skip
    return section


def _section_stacks(rows: Rows, pictures: _Pictures) -> Section:
    section = Section("stacks", "Stacks")
    grid = _table("Depth and noise", "stacks", rows.stacks, [
        ("tile", "", _text("tile")), ("filter", "", _text("filter")),
        ("epochs", "old → new", lambda r: f"{r['n_epochs_old']} → {r['n_epochs_new']}"),
        ("depth, old", "mag", _plain("depth_old", 3)),
        ("change", "mmag", lambda r: _number(r["depth_change"], 2, factor=1e3, sign=True)),
        ("deep catalogue, old", "mag", _plain("depth_deep_old", 3)),
        ("change", "mmag", _mmag("depth_deep_change")),
        ("noise", "new/old", _plain("noise_ratio", 5)),
        ("spread of pixels", "new/old", _plain("spread_ratio", 5)),
        ("sources", "old → new", lambda r: f"{r['n_deep_old']} → {r['n_deep_new']}"),
    ])  # fmt: skip
    section.pictures.append(
        pictures.save(
            "stacks", draw.draw_depths(rows.stacks),
            "Left: change of the 5 sigma magnitude of each stack, from its variance and from the "
            "errors of faint sources of the deep catalogue (the table adds errors, as if old and "
            "new were independent). Right: noise of a pixel as the variance states it and as the "
            "pixels scatter.",
            f"Two scatter plots of {len(rows.stacks)} stacks: change of depth against depth, and "
            "measured against stated change of noise.", grid,
        )
    )  # fmt: skip
    return section


def _section_strip(strip: StripChange, pictures: _Pictures) -> Section:
    section = Section(f"strip-{strip.name}", f"Strip {strip.name}")
    row = strip.strip
    if row["identical"]:
        section.paragraphs.append("Catalogue, curves and solution hold the same values.")
        return section
    kept, lost, gained = (row[f"n_{k}"] for k in ("kept", "lost", "gained"))
    section.paragraphs.append(f"{kept} sources kept, {lost} lost, {gained} gained.")
    by_column: list[tuple[str, str, Callable[[Mapping[str, Any]], str]]] = [
        ("columns", "", lambda r: f"{r['column_from']:.0f}–{r['column_to'] - 1:.0f}"),
    ]
    columns = _table("By column", "columns", strip.columns, [
        *by_column, ("sources", "", _text("n")),
        *((k, "mmag", _mmag(f"mag_{k}_change")) for k in KINDS),
        ("spread, psf", "mmag", _plain("mag_psf_spread", 2, 1e3)),
    ])  # fmt: skip
    magnitudes = _table("By magnitude", "magnitudes", strip.magnitudes, [
        ("magnitude", "", lambda r: f"{r['mag_from']:.1f}–{r['mag_to']:.1f}"),
        ("kept", "", _text("n_kept")), ("lost", "", _text("n_lost")),
        ("gained", "", _text("n_gained")),
        *((k, "mmag", _mmag(f"mag_{k}_change")) for k in KINDS),
        ("spread, psf", "mmag", _plain("mag_psf_spread", 2, 1e3)),
        ("error, psf", "new/old", _plain("mag_psf_error_ratio", 4)),
    ])  # fmt: skip
    lines = _table("Zero point along the strip", "lines", strip.lines, [
        ("line", "", _plain("line", 1)), ("old", "mag", _plain("zero_point_old", 4)),
        ("new", "mag", _plain("zero_point_new", 4)), ("change", "mmag", _mmag("zero_point_change")),
    ])  # fmt: skip
    figure = draw.draw_magnitudes(strip.columns, strip.magnitudes, strip.lines, title=strip.name)
    section.pictures.append(
        pictures.save(
            f"{strip.name}-magnitudes", figure,
            "Median change of magnitude by column and by magnitude, and change of the zero point "
            "along the strip (band: stated errors, as if old and new were independent).",
            f"Three panels for {strip.name}: change of magnitude by column, by magnitude, and "
            "change of the zero point by line.", columns,
        )
    )  # fmt: skip
    section.tables += [magnitudes, lines]
    both = " and ".join(
        f"{s} {_with_error(row, f'trend_{s}', 2, 1e3)} mmag" for s in ("old", "new")
    )
    trend = _table("Bright stars and response by column", "columns", strip.columns, [
        *by_column, ("stars", "", _text("n_bright")), ("old", "mmag", _mmag("bright_offset_old")),
        ("new", "mmag", _mmag("bright_offset_new")), ("response", "% of change", _ratio),
    ])  # fmt: skip
    section.pictures.append(
        pictures.save(
            f"{strip.name}-trend", draw.draw_trend(strip.columns, title=strip.name),
            f"Bright stars against the reference catalogue: trend from the first column to the "
            f"last, {both}. Below: ratio of the responses, median of the columns of each bin with "
            "its error from their scatter.",
            f"Two panels for {strip.name}: offset of bright stars by column before and after, and "
            "ratio of the responses by column.", trend,
        )
    )  # fmt: skip
    positions = _table("Positions by column", "columns", strip.columns, [
        *by_column, ("line", "0.001 px", lambda r: _with_error(r, "line_change", 2, 1e3)),
        ("column", "0.001 px", lambda r: _with_error(r, "column_change", 2, 1e3)),
    ])  # fmt: skip
    section.pictures.append(
        pictures.save(
            f"{strip.name}-positions", draw.draw_positions(strip.columns, title=strip.name),
            "Median change of the positions on the strip.",
            f"Change of line and column by column for {strip.name}.", positions,
        )
    )  # fmt: skip
    return section
