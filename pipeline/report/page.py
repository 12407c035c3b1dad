"""One page of tables and pictures of a reduction, drawn from its products."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.atomic import replace_file, write_text
from pipeline.io.images import read_image
from pipeline.io.ledger import read_ledger
from pipeline.io.solution import read_json
from pipeline.io.tables import read_table, read_table_meta
from pipeline.report import figures
from pipeline.report.equalisation_figure import describe_cost, draw_equalisation
from pipeline.report.moments_figure import draw_moments

__all__ = ["write_report"]

logger = logging.getLogger(__name__)

Table = dict[str, NDArray[Any]]
_MOST_TILES = 6


@dataclass(frozen=True)
class Picture:
    """A picture beside the page, and what it shows."""

    src: str
    caption: str


@dataclass(frozen=True)
class Grid:
    """A table: heads with units, and rows of text."""

    caption: str
    head: Sequence[tuple[str, str]]
    rows: Sequence[Sequence[str]]


@dataclass
class Section:
    """A part of the page."""

    id: str
    title: str
    paragraphs: list[str] = field(default_factory=list)
    tables: list[Grid] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    paired: bool = False


@dataclass(frozen=True)
class StripProducts:
    """What the page reads of one strip."""

    night: str
    name: str
    catalogue: Table
    curves: Table
    solution: dict[str, Any]
    n_columns: int
    equalisation: dict[str, Any] | None = None


def _save(folder: Path, name: str, figure: Figure, caption: str) -> Picture:
    with replace_file(folder / f"{name}.png") as partial:
        figure.savefig(partial, format="png", dpi=110)
    return Picture(f"{name}.png", caption)


def _table_of(folder: Path, name: str) -> Table:
    for suffix in (".parquet", ".fits"):
        if (folder / f"{name}{suffix}").exists():
            return read_table(folder / f"{name}{suffix}")
    msg = f"{folder / name}: neither Parquet nor FITS table is there; reduce the strip again"
    raise ProductError(msg)


def _read_strips(out: Path) -> list[StripProducts]:
    found = []
    for path in sorted(out.glob("strips/*/*/solution.json")):
        folder = path.parent
        solution = read_json(path)
        catalogue = _table_of(folder, "catalogue")
        extra = folder / "equalisation.json"
        columns = solution.get("smear_table", {}).get("column") or [0, catalogue["column"].max()]
        found.append(
            StripProducts(
                night=folder.parent.name, name=folder.name, catalogue=catalogue,
                curves=_table_of(folder, "curves"), solution=solution,
                n_columns=int(columns[-1]) + 1,
                equalisation=read_json(extra) if extra.exists() else None,
            )
        )  # fmt: skip
    return found


def _number(value: float | None, digits: int) -> str:
    return "–" if value is None or not np.isfinite(value) else f"{value:.{digits}f}"


def _middle(values: NDArray[Any]) -> float:
    """Median of the finite values; NaN where there is none."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def _summarise_strips(strips: list[StripProducts]) -> Grid:
    head = (
        ("strip", ""), ("lines", ""), ("sources", ""), ("sky", "electron/px"), ("seeing", "px"),
        ("limit S/N 5", "mag"), ("cloudy", "%"), ("residual line", "px"), ("residual column", "px"),
        ("reference stars", ""),
    )  # fmt: skip
    rows = []
    for strip in strips:
        table, curves = strip.catalogue, strip.curves
        with np.errstate(invalid="ignore"):
            near = np.abs(table["flux_psf"] / table["flux_psf_err"] - 5.5) < 1.0
        limit = _middle(table["mag_psf"][near])
        rows.append(
            (
                strip.name, f"{strip.solution['n_lines']}", f"{table['line'].size}",
                _number(_middle(curves["sky"]), 0),
                _number(_middle(curves["fwhm"]), 2), _number(limit, 2),
                _number(100.0 * float(np.mean(curves["cloudy"])), 0),
                _number(strip.solution.get("rms_line"), 3),
                _number(strip.solution.get("rms_column"), 3),
                f"{strip.solution.get('n_stars', 0)}",
            )
        )  # fmt: skip
    return Grid("Every strip at a glance", head, rows)


def _section_calibration(out: Path, pictures: Path) -> Section:
    section = Section("calibration", "Column calibration")
    responses = [
        (f"{p.parent.name} {p.stem.removesuffix('_response')}", read_table(p), p)
        for p in sorted(out.glob("calibration/*/*_response.fits"))
    ]
    darks = [
        (f"{p.parent.name} {p.stem.removesuffix('_dark')}", read_table(p))
        for p in sorted(out.glob("calibration/*/*_dark.fits"))
    ]
    if responses or darks:
        figure = figures.draw_calibration([r[:2] for r in responses], darks)
        section.pictures.append(
            _save(pictures, "calibration", figure,
                  "Response of the columns, its change from the first night, and bias + dark.")
        )  # fmt: skip
    rows = []
    for label, table, path in responses:
        header = read_table_meta(path)[0]
        cells = [label, str(int(np.count_nonzero(table["mask"])))]
        cells.append(_number(100 * float(np.median(table["response_err"][table["mask"] == 0])), 3))
        measured = sorted(k for k in header if k.startswith(("GAIN_", "RDN_")))
        cells.append(
            ", ".join(
                f"{k.split('_')[0].lower()} {k.split('_')[1]} {header[k]:.3f}" for k in measured
            )
        )
        rows.append(cells)
    if rows:
        head = (("night", ""), ("masked columns", ""), ("response error", "%"),
                ("measured gain and read noise", "electron/ADU, electron"))  # fmt: skip
        section.tables.append(Grid("Response vectors", head, rows))
    return section


def _section_strip(strip: StripProducts, pictures: Path) -> Section:
    section = Section(f"strip-{strip.name}", f"Strip {strip.name}", paired=True)
    figure = figures.draw_conditions(strip.curves, title=f"Conditions along {strip.name}")
    section.pictures.append(
        _save(pictures, f"{strip.name}-conditions", figure,
              "Sky, seeing, zero point with its error, and sources per 256 lines.")
    )  # fmt: skip
    if "smear_table" in strip.solution:
        figure = figures.draw_residuals(
            strip.catalogue, n_columns=strip.n_columns, title=strip.name
        )
        section.pictures.append(
            _save(pictures, f"{strip.name}-residuals", figure,
                  "Unflagged stars against the reference catalogue: positions and magnitudes.")
        )  # fmt: skip
    if moments := strip.solution.get("star_moments"):
        figure = draw_moments(moments, title=f"Second moments of bright stars, {strip.name}")
        section.pictures.append(
            _save(pictures, f"{strip.name}-moments", figure,
                  "Second moments of bright single stars in 16 bins of columns, and what the "
                  "fitted geometry predicts for them: seeing, clocking, pixel and window included, "
                  "the level of the seeing free. Thick bars: scatter of the stars; thin: with "
                  "1 % of the moment, which is as far as the prediction is trusted.")
        )  # fmt: skip
        check = moments.get("check")
        section.notes.append(
            check["text"] if check else "Too few bright stars to compare their moments by column."
        )
    if content := strip.equalisation:
        figure = draw_equalisation(content, title=f"Equalisation of the tiles of {strip.name}")
        section.pictures.append(
            _save(pictures, f"{strip.name}-equalisation", figure,
                  "Widths of stars, noise and depth against column, before and after equalisation, "
                  "at the median seeing, as the kernels predict them.")
        )  # fmt: skip
        section.notes.append(describe_cost(content))
    section.notes += [str(text) for text in strip.solution.get("remarks", [])]
    section.notes += [str(text) for text in strip.solution.get("advice_text", [])]
    if light := strip.solution.get("illumination"):
        section.notes.append(
            f"Illumination from {light['n_stars']} reference stars against column: "
            f"{1000 * light['extent_mag']:.1f} +- {1000 * light['extent_mag_err']:.1f} mmag from "
            "least to most, "
            + ("taken out of the fluxes." if light["applied"] else "not taken out of the fluxes.")
        )
    return section


def _section_stacks(out: Path, strips: list[StripProducts], pictures: Path) -> Section:
    section = Section("stacks", "Stacks and deep catalogue")
    deep_path = next(
        iter(sorted(out.glob("deep/*.parquet")) or sorted(out.glob("deep/*.fits"))), None
    )
    deep = read_table(deep_path) if deep_path is not None else None
    sets = [(s.night, s.catalogue) for s in strips]
    section.pictures.append(
        _save(pictures, "depth", figures.draw_depth(sets, deep),
              "Error against magnitude, and counts, of each night and of the stack.")
    )  # fmt: skip
    paths = sorted(out.glob("stacks/*.fits"))
    ranked: list[tuple[float, Path]] = []
    for path in paths:
        images, header, _ = read_image(path)
        ranked.append((float(np.mean(images["EPOCHS"])), path))
    for _, path in sorted(ranked, reverse=True)[:_MOST_TILES]:
        images, header, heads = read_image(path)
        scale = float(np.hypot(heads["FLUX"]["CD1_1"], heads["FLUX"]["CD2_1"])) * 3600.0
        figure = figures.draw_tile(
            images["FLUX"], images["VARIANCE"], pixel_scale=scale,
            title=f"Stack {path.stem}: {header['NEPOCHS']} epochs",
        )  # fmt: skip
        section.pictures.append(
            _save(pictures, f"stack-{path.stem}", figure,
                  f"Stack {path.stem}, stretched by the inverse hyperbolic sine; blue: no data.")
        )  # fmt: skip
    section.paired = True
    if deep is not None:
        section.paragraphs.append(
            f"{deep['ra'].size} sources in the deep catalogue, from {len(paths)} stacks."
        )
    return section


def write_report(out: Path) -> Path:
    """Write the page and its pictures into ``report/`` of a folder of products.

    Parameters
    ----------
    out : Path
        Folder of products.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    ProductError
        If there are no products, or the page cannot be written.
    """
    out = Path(out)
    strips = _read_strips(out)
    if not strips and not (out / "ledger.jsonl").exists():
        msg = f"{out}: no products here; give the folder that `reduce` wrote"
        raise ProductError(msg)
    folder = out / "report"
    folder.mkdir(parents=True, exist_ok=True)
    ledger = read_ledger(out / "ledger.jsonl") if (out / "ledger.jsonl").exists() else []
    failed = _still_failed(ledger)
    overview = Section("overview", "Overview")
    if strips:
        overview.tables.append(_summarise_strips(strips))
    else:
        overview.paragraphs.append("No strip has a catalogue.")
    overview.notes += [
        f"failed: {row.get('strip', '')} {row.get('step', '')}: {row.get('reason', '')}"
        for row in failed
    ]
    sections = [overview, _section_calibration(out, folder)]
    if strips:
        sections.append(_section_stacks(out, strips, folder))
    sections += [_section_strip(s, folder) for s in strips]
    name = _observatory(out)
    page = Environment(
        loader=PackageLoader("pipeline.report"), autoescape=True, trim_blocks=True
    ).get_template("index.html")
    nights = sorted({s.night for s in strips})
    lead = f"{len(strips)} strip(s) of {len(nights)} night(s): {', '.join(nights)}."
    html = page.render(title=f"{name}: drift scans reduced", lead=lead, sections=sections)
    write_text(folder / "index.html", html)
    return folder / "index.html"


def _still_failed(ledger: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Failures that no later run came by: it would have tried again and told what became of it."""
    failed: list[dict[str, Any]] = []
    run: list[dict[str, Any]] = []

    def close() -> None:
        places = {(row.get("night"), row.get("strip")) for row in run}
        # Files are checked in every run, whatever nights it is about.
        failed[:] = [
            row
            for row in failed
            if row.get("step") != "check" and (row.get("night"), row.get("strip")) not in places
        ]
        failed.extend(row for row in run if row.get("state") == "failed")
        run.clear()

    for row in ledger:
        if row.get("step") == "run":
            close()
        else:
            run.append(row)
    if run:
        close()
    return failed


def _observatory(out: Path) -> str:
    """Name of the observatory, from a response vector's header."""
    for path in sorted(out.glob("calibration/*/*_response.fits")):
        header = read_table_meta(path)[0]
        return str(header.get("ORIGIN", "Observatory"))
    return "Observatory"
