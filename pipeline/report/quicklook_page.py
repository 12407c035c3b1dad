"""The page of a quick look: one file that needs no other, and its numbers beside it."""

import base64
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader
from matplotlib.figure import Figure

from pipeline.finite import middle
from pipeline.glance import Glance
from pipeline.io.atomic import write_text
from pipeline.io.solution import write_json
from pipeline.report.content import Column, Grid, InlinePicture, Section, grid_of
from pipeline.report.ground import both_forms
from pipeline.report.quicklook_figures import (
    draw_course,
    draw_glance_moments,
    draw_preview,
    draw_response,
    draw_shares,
    fold_rows,
)

__all__ = ["write_quicklook"]

_CAUTION = (
    "A quick look samples; the reduction reads everything. Advice on line period and rotation is "
    "a suggestion with its uncertainty; hardware is adjusted under the observatory's own "
    "procedures."
)
_GROUPS = 64  # of columns, in the table behind the response


def write_quicklook(glance: Glance, out: Path, *, refresh: int = 0) -> Path:
    """Write ``index.html`` and ``numbers.json``.

    Parameters
    ----------
    glance : Glance
        What was found.
    out : Path
        Folder; made when missing.
    refresh : int
        Seconds after which a browser loads the page again; 0 for never.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    ProductError
        If the system refuses.
    """
    sections = _sections(glance)
    title = f"Quick look at strip {glance.name}"
    content: dict[str, Any] = {
        "title": title,
        "strip": {
            "name": glance.name, "night": glance.night, "chip": glance.chip,
            "filter": glance.filter, "state": glance.state, "start_utc": glance.start,
            "n_lines": glance.n_lines, "n_lines_read": glance.n_read,
            "line_period_s": glance.line_period, "calibration": glance.calibration,
            "reference": glance.reference,
        },
        "readings": [
            {"name": r.name, "value": r.value, "error": r.error, "unit": r.unit,
             "remark": r.remark}
            for r in glance.readings
        ],
        "not_measured": [{"what": m.what, "why": m.why} for m in glance.missing],
        "sections": [
            {
                "id": s.id, "title": s.title, "notes": s.notes,
                "tables": [t.as_json() for t in (*s.tables, *(p.grid for p in s.pictures))],
            }
            for s in sections
        ],
    }  # fmt: skip
    write_json(out / "numbers.json", content)
    template = Environment(
        loader=PackageLoader("pipeline.report"), autoescape=True, trim_blocks=True
    ).get_template("site.html")
    share = 100.0 * glance.n_read / max(glance.n_lines, 1)
    lead = (
        f"{glance.state}; {glance.n_read} lines read ({share:.1f} %) in {glance.seconds:.1f} s. "
        f"First line {glance.start or 'at an unknown time'} UTC, filter {glance.filter or '-'}."
    )
    html = template.render(
        title=title, lead=lead, sections=sections, verdict=None, up=None, refresh=refresh
    )
    write_text(out / "index.html", html)
    return out / "index.html"


def _picture(name: str, figure: Figure, *, alt: str, caption: str, grid: Grid) -> InlinePicture:
    forms = both_forms(figure)
    light, dark = (f"data:image/png;base64,{base64.b64encode(f).decode()}" for f in forms)
    return InlinePicture(name, figure, alt, caption, grid, light_uri=light, dark_uri=dark)


def _sections(glance: Glance) -> list[Section]:
    made = [_overview(glance)]
    if glance.preview is not None and glance.preview.cells.size:
        made.append(_preview(glance))
    made.append(_course(glance))
    made.append(_moments(glance))
    made.append(_response(glance))
    made.append(_about(glance))
    return made


def _overview(glance: Glance) -> Section:
    section = Section("overview", "At a glance")
    rows: list[list[float | str | None]] = []
    for r in glance.readings:
        if not np.isfinite(r.value):
            continue  # in the table below, with the reason
        # Decimals differ from row to row, so the cells are words; the numbers are in the JSON.
        value = f"{r.value:.{r.digits}f}"
        error = f"{r.error:.{r.digits}f}" if np.isfinite(r.error) else None
        if error is not None and not float(error):
            error = f"{r.error:.1g}"
        rows.append([r.name, value, r.unit, error, r.remark])
    section.tables.append(
        Grid(
            "What was measured",
            [
                Column("quantity"),
                Column("value"),
                Column("unit", words=True),
                Column("error"),
                Column("remark", words=True),
            ],
            rows,
        )
    )
    section.notes += list(glance.advice)
    if glance.missing:
        section.tables.append(
            Grid("What could not be measured", [Column("quantity"), Column("why", words=True)],
                 [[m.what, m.why] for m in glance.missing])
        )  # fmt: skip
    return section


def _preview(glance: Glance) -> Section:
    preview = glance.preview
    assert preview is not None
    section = Section("preview", "The whole strip")
    minutes = preview.step * glance.line_period / 60.0
    rows = []
    for number, (first, stop) in enumerate(fold_rows(preview), start=1):
        part = preview.cells[first:stop].astype(float)
        part = part[np.isfinite(part)]
        low, high = np.percentile(part, [5.0, 95.0]) if part.size else (np.nan, np.nan)
        rows.append([
            number, first * minutes, stop * minutes, first * preview.step, stop * preview.step,
            middle(part), float(low), float(high),
        ])  # fmt: skip
    grid = Grid(
        "rows of the preview",
        [
            Column("row"), Column("from", "min", 2), Column("to", "min", 2),
            Column("first line"), Column("stop line"), Column("median level", "electron/px", 1),
            Column("5 % below", "electron/px", 1), Column("95 % below", "electron/px", 1),
        ],
        rows,
    )  # fmt: skip
    read = (
        "every line is read"
        if preview.group == preview.step
        else f"of every {preview.step} lines {preview.group} are read"
    )
    section.pictures.append(
        _picture(
            "preview", draw_preview(glance, preview),
            alt=f"Grey picture of the whole strip {glance.name}, folded into {len(rows)} rows.",
            caption=f"The strip from its first line to its last, folded; columns upwards. A cell "
            f"is {preview.step} by {preview.step} pixels: {read}, so faint or small things may "
            "fall between. Arcsinh stretch, with bias and dark. Blue: no data. Orange marks: "
            "blocks of 256 lines that were measured.",
            grid=grid,
        )
    )  # fmt: skip
    return section


def _course(glance: Glance) -> Section:
    b = glance.blocks
    section = Section("course", "Along the strip")
    grid = grid_of(
        "blocks of the strip",
        [
            (Column("line"), b["line"]), (Column("time", "min", 2), b["minutes"]),
            (Column("sky", "electron/px", 1), b["sky"]),
            (Column("noise", "electron", 2), b["noise"]),
            (Column("FWHM of stars", "arcsec", 3), b["fwhm"]),
            (Column("its error", "arcsec", 3), b["fwhm_err"]),
            (Column("seeing", "arcsec", 3), b["seeing"]),
            (Column("error of seeing", "arcsec", 3), b["seeing_err"]),
            (Column("dimming", "mag", 3), b["dimming"]),
            (Column("error of dimming", "mag", 3), b["dimming_err"]),
            (Column("bright stars"), b["n_stars"]),
            (Column("elongation", "", 3), b["elongation"]),
            (Column("error of elongation", "", 3), b["elongation_err"]),
        ],
    )  # fmt: skip
    compared = (
        "Transparency is told as dimming, light lost against the clear parts, of "
        f"{glance.dimming_of}"
        if glance.dimming_of else "Dimming was not measured"
    )  # fmt: skip
    section.pictures.append(
        _picture(
            "course", draw_course(glance),
            alt="Five panels against minutes: sky, width of stars, dimming, star counts, "
            "elongation.",
            caption="Blocks of 256 lines; nothing was read between them, and no line joins them. "
            "FWHM: of the Gaussian that fits the cores of bright stars, and of the seeing that "
            "makes them so wide, of a Moffat profile of exponent 3 (a true one of 3.5 reads 3 % "
            f"low). {compared}. Stars: peaks of 20 sigma. Elongation: of the median "
            "moments of a block's stars.",
            grid=grid,
        )
    )  # fmt: skip
    shares = grid_of(
        "pixels that cannot be used",
        [
            (Column("line"), b["line"]), (Column("time", "min", 2), b["minutes"]),
            (Column("saturated", "%", 4), 100.0 * b["saturated"]),
            (Column("masked", "%", 3), 100.0 * b["masked"]),
            (Column("lines lost"), b["lost"]),
        ],
    )  # fmt: skip
    section.pictures.append(
        _picture(
            "shares", draw_shares(glance),
            alt="Two panels against minutes: share of saturated and of masked pixels.",
            caption="Saturated: at or above an amplifier's saturation. Masked: lost lines, and "
            "columns without noise or three times as noisy as most.",
            grid=shares,
        )
    )  # fmt: skip
    return section


def _reason(glance: Glance, what: str) -> str:
    return next((m.why for m in glance.missing if what in m.what), "nothing to measure")


def _moments(glance: Glance) -> Section:
    section = Section("moments", "Shape of stars against column")
    moments = glance.moments
    if not moments:
        why = _reason(glance, "second moments")
        section.notes.append(f"Not measured: {why}.")
        return section
    check = moments.get("check")
    at = np.asarray(moments["column"], dtype=float)
    where = np.asarray(check["column"]) if check else at[::2]
    columns: list[tuple[Column, Any]] = [(Column("column", "px", 1), where)]
    for name, label in (("ll", "along"), ("lc", "mixed"), ("cc", "across")):
        predicted = np.interp(where, at, np.asarray(moments["predicted"][name], dtype=float))
        columns.append((Column(f"{label}, predicted", "px²", 4), predicted))
        if check:
            panel = check[name]
            columns.append((Column(f"{label}, stars minus that", "px²", 4), panel["difference"]))
            columns.append((Column(f"{label}, error", "px²", 4), panel["error"]))
    section.pictures.append(
        _picture(
            "moments", draw_glance_moments(moments),
            alt="Second moments of stars against column beside the prediction, three panels.",
            caption="Points: stars of all blocks. Curve: what the geometry predicts for them, "
            "seeing, clocking, pixel and window included, the level of the seeing free.",
            grid=grid_of("second moments against column", columns),
        )
    )  # fmt: skip
    section.notes.append(check["text"] if check else "Too few bright stars for bins of columns.")
    return section


def _response(glance: Glance) -> Section:
    section = Section("response", "Response against column")
    if not glance.response:
        why = _reason(glance, "response")
        section.notes.append(f"Not measured: {why}.")
        return section
    ratio, error, bad = (glance.response[k] for k in ("ratio", "error", "bad"))
    edges = np.unique(np.linspace(0, ratio.size, _GROUPS + 1).astype(int))
    rows = []
    for first, stop in pairwise(edges):
        part = 100.0 * (ratio[first:stop] - 1.0)
        good = part[~bad[first:stop]]
        rows.append([
            int(first), int(stop - 1), middle(good),
            float(good.min()) if good.size else None, float(good.max()) if good.size else None,
            100.0 * middle(error[first:stop]), int(np.count_nonzero(bad[first:stop])),
        ])  # fmt: skip
    grid = Grid(
        "level of columns against their neighbours",
        [
            Column("column"), Column("to column"), Column("median", "%", 3),
            Column("least", "%", 2), Column("most", "%", 2), Column("typical error", "%", 3),
            Column("bad columns"),
        ],
        rows,
    )  # fmt: skip
    section.pictures.append(
        _picture(
            "response", draw_response(glance),
            alt="Level of every column against its neighbours, in per cent, against column.",
            caption="Sky level of every column over a running median of its amplifier's columns, "
            "averaged over the blocks: what a flat has to take out"
            + (", after the calibrations." if glance.calibration.startswith("column vectors")
               else "; without calibrations bias and dark of the column are in it."),
            grid=grid,
        )
    )  # fmt: skip
    off = np.flatnonzero(bad)
    if off.size:
        section.notes.append(
            f"Columns off by half or unknown: {', '.join(map(str, off[:20]))}"
            + (f" and {off.size - 20} more." if off.size > 20 else ".")
        )
    return section


def _about(glance: Glance) -> Section:
    section = Section("about", "What this rests on")
    section.paragraphs = [
        f"Strip {glance.name}"
        + (f" of night {glance.night}" if glance.night else "")
        + f", chip {glance.chip}: {glance.state}.",
        f"Calibration: {glance.calibration}. Reference stars: {glance.reference}.",
        _CAUTION,
    ]
    section.notes = list(glance.notes)
    return section
