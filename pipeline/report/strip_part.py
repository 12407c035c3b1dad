"""The part of a page that comes from one strip: pictures, each with the table behind it."""

from collections.abc import Callable, Mapping
from itertools import pairwise

import numpy as np

from pipeline.finite import middle
from pipeline.flags import FLAG_MEANINGS, MASK_MEANINGS
from pipeline.report import figures
from pipeline.report.content import Column, Drawing, Grid, Picture, Section, grid_of
from pipeline.report.equalisation_figure import describe_cost, draw_equalisation
from pipeline.report.map_figure import draw_level, level_change
from pipeline.report.moments_figure import draw_moments
from pipeline.report.read import StripProducts, list_products

__all__ = ["PICTURES", "describe_strip"]

_BINS = 16  # as the residual figure has
_MAS = 1000.0  # in an arcsec; mmag in a mag


def describe_strip(strip: StripProducts) -> Section:
    """Curves, maps, residuals, point spread and masks of a strip.

    Parameters
    ----------
    strip : StripProducts

    Returns
    -------
    Section
    """
    section = Section(f"strip-{strip.name}", f"Strip {strip.name}")
    if strip.curves["line"].size:
        section.pictures.append(_conditions(strip))
    section.notes += _missing(strip)
    if strip.level is not None:
        section.pictures.append(_map(strip))
    if "smear_table" in strip.solution:
        section.pictures.append(_residuals(strip))
    else:
        section.notes.append("No solution against reference stars, so no residuals.")
    if moments := strip.solution.get("star_moments"):
        section.pictures.append(_moments(strip))
        check = moments.get("check")
        section.notes.append(
            check["text"] if check else "Too few bright stars to compare their moments by column."
        )
    if strip.equalisation:
        section.pictures.append(_equalisation(strip))
        section.notes.append(describe_cost(strip.equalisation))
    section.tables += [_masks(strip), _flags(strip)]
    used = strip.solution.get("provenance", {}).get("calibration", [])
    section.paragraphs.append(f"Calibration used: {', '.join(used) or 'none recorded'}.")
    section.notes += [str(text) for text in strip.solution.get("remarks", [])]
    section.notes += [str(text) for text in strip.solution.get("advice_text", [])]
    if light := strip.solution.get("illumination"):
        section.notes.append(
            f"Illumination from {light['n_stars']} reference stars against column: "
            f"{1000 * light['extent_mag']:.1f} +- {1000 * light['extent_mag_err']:.1f} mmag from "
            "least to most, "
            + ("taken out of the fluxes." if light["applied"] else "not taken out of the fluxes.")
        )
    base = f"../../strips/{strip.night}/{strip.name}"
    section.links = [
        (f"{base}/{p.name}", f"{strip.name}: {p.name}") for p in list_products(strip.folder)
    ]
    return section


def _missing(strip: StripProducts) -> list[str]:
    """What could not be measured along the strip, and why."""
    curves, notes = strip.curves, []
    if not curves["line"].size:
        return ["No conditions along the strip: it has no full bin of 256 lines."]
    if not np.isfinite(curves["sky"]).any():
        notes.append("Sky not measured: no bin of lines has enough good pixels.")
    if not np.isfinite(curves["fwhm"]).any():
        notes.append("Seeing not measured: no single star is bright enough for a point spread.")
    if not np.isfinite(curves["zero_point"]).any():
        notes.append(
            "Zero point, magnitudes and cloud not measured: too few stars of the reference "
            "catalogue were found, or it has no magnitudes in this filter."
        )
    return notes


def _conditions(strip: StripProducts) -> Picture:
    curves = strip.curves
    minutes = (curves["mjd"] - curves["mjd"][0]) * 1440.0
    grid = grid_of(
        f"conditions along {strip.name}",
        [
            (Column("line"), curves["line"]), (Column("time", "min", 2), minutes),
            (Column("sky", "electron/px", 1), curves["sky"]),
            (Column("seeing", "px", 3), curves["fwhm"]),
            (Column("its error", "px", 3), curves["fwhm_err"]),
            (Column("zero point", "mag", 4), curves["zero_point"]),
            (Column("its error", "mag", 4), curves["zero_point_err"]),
            (Column("extinction", "mag", 4), curves["extinction"]),
            (Column("sources"), curves["n_stars"]),
            (Column("cloudy"), np.where(curves["cloudy"].astype(bool), "yes", "no")),
        ],
    )  # fmt: skip
    return Picture(
        f"{strip.name}-conditions",
        Drawing(figures.draw_conditions, (curves,), {"title": f"Conditions along {strip.name}"}),
        f"Four curves against minutes: sky, seeing, zero point and sources of {strip.name}.",
        "Sky, seeing, zero point with its error, and sources per 256 lines.", grid,
    )  # fmt: skip


def _map(strip: StripProducts) -> Picture:
    assert strip.level is not None
    change = level_change(strip.level)
    edges = np.linspace(0, change.shape[1], min(8, change.shape[1]) + 1).astype(int)
    columns = [Column("bin of lines")]
    columns += [Column(f"columns {a} to {b - 1}", "%", 2) for a, b in pairwise(edges)]
    rows: list[list[str | float]] = [
        [str(number), *(middle(row[a:b]) for a, b in pairwise(edges))]
        for number, row in enumerate(change)
    ]
    return Picture(
        f"{strip.name}-map",
        Drawing(draw_level, (change,), {"title": f"Level of the columns of {strip.name}"}),
        f"Map of the raw level of {strip.name} by column and line, in per cent of each line's "
        "median.",
        "Level of every column per 256 lines, against the median of the line and of the column: "
        "what changes along the strip; averaged where the picture has fewer pixels. Grey: no data.",
        Grid(f"map of {strip.name}, medians of eighths of the chip", columns, rows),
    )


def _residuals(strip: StripProducts) -> Picture:
    table = strip.catalogue
    use = (table["ref_index"] >= 0) & (table["flags"] == 0)
    rows: list[list[float | str | None]] = []
    for axis in ("column", "line"):
        x = table[axis][use]
        top = strip.n_columns if axis == "column" else (x.max() + 1 if x.size else 1)
        edges = np.linspace(0, top, _BINS + 1)
        for low, high in pairwise(edges):
            inside = use & (table[axis] >= low) & (table[axis] < high)
            medians = [
                _MAS * middle(table[name][inside])
                for name in ("ref_ra_offset", "ref_dec_offset", "ref_mag_offset")
            ]
            rows.append([axis, low, high, int(np.count_nonzero(inside)), *medians])
    grid = Grid(
        f"residuals of {strip.name}, medians of bins",
        [
            Column("against"), Column("from", "px"), Column("to", "px"), Column("stars"),
            Column("RA", "mas", 1), Column("Dec", "mas", 1), Column("magnitude", "mmag", 1),
        ],
        rows,
    )  # fmt: skip
    return Picture(
        f"{strip.name}-residuals",
        Drawing(figures.draw_residuals, (table, strip.n_columns), {"title": strip.name}),
        f"Residuals of {strip.name} in RA, Dec and magnitude, against column and against line.",
        "Unflagged stars against the reference catalogue: positions and magnitudes.", grid,
    )  # fmt: skip


def _moments(strip: StripProducts) -> Picture:
    moments = strip.solution["star_moments"]
    at = np.asarray(moments["column"], dtype=float)
    check = moments.get("check")
    where = check["column"] if check else at[:: max(1, at.size // _BINS)]
    names = (("ll", "along"), ("lc", "mixed"), ("cc", "across"))
    columns = [Column("column", "px", 1)]
    values = [list(where)]
    for name, label in names:
        columns.append(Column(f"{label}, predicted", "px²", 4))
        values.append(list(np.interp(where, at, np.asarray(moments["predicted"][name], float))))
        if check:
            columns += [Column("stars minus predicted", "px²", 4), Column("error", "px²", 4)]
            values += [check[name]["difference"], check[name]["error"]]
    rows = [list(row) for row in zip(*values, strict=True)]
    return Picture(
        f"{strip.name}-moments",
        Drawing(
            draw_moments, (moments,), {"title": f"Second moments of bright stars, {strip.name}"}
        ),
        f"Second moments of stars of {strip.name} against column, beside the prediction.",
        "Point spread by column: second moments of bright single stars, and what the fitted "
        "geometry predicts for them: seeing, clocking, pixel and window included, the level of "
        "the seeing free. Thick bars: scatter of the stars; thin: with 1 % of the moment, which "
        "is as far as the prediction is trusted.",
        Grid(f"second moments of {strip.name}", columns, rows),
    )


def _equalisation(strip: StripProducts) -> Picture:
    assert strip.equalisation is not None
    table = strip.equalisation["table"]
    return Picture(
        f"{strip.name}-equalisation",
        Drawing(
            draw_equalisation, (strip.equalisation,),
            {"title": f"Equalisation of the tiles of {strip.name}"},
        ),
        f"Widths of stars, noise and depth of {strip.name} against column, before and after.",
        "Widths of stars, noise and depth against column, before and after equalisation, "
        "at the median seeing, as the kernels predict them.",
        grid_of(
            f"equalisation of {strip.name}",
            [(Column(k.replace("_", " "), "px" if k == "column" else "", 3), v)
             for k, v in table.items()],
        ),
    )  # fmt: skip


def _masks(strip: StripProducts) -> Grid:
    counts = strip.solution.get("masked_pixels", {})
    total = max(1, strip.n_columns * int(strip.solution.get("n_lines", 0)))
    return Grid(
        f"Masked pixels of {strip.name}",
        [Column("reason"), Column("pixels"), Column("share", "%", 4), Column("meaning")],
        [
            [m.name, counts.get(m.name), _share(counts.get(m.name), total), m.text]
            for m in MASK_MEANINGS
        ],
    )


def _share(count: int | None, total: int) -> float | None:
    return None if count is None else 100.0 * count / total


def _flags(strip: StripProducts) -> Grid:
    flags = strip.catalogue["flags"]
    return Grid(
        f"Flagged sources of {strip.name}, of {flags.size}",
        [Column("flag"), Column("sources"), Column("meaning")],
        [[m.name, int(np.count_nonzero(flags & m.bit)), m.text] for m in FLAG_MEANINGS],
    )


# What each picture is made by, and what it needs beside the solution.
PICTURES: Mapping[str, tuple[Callable[[StripProducts], Picture], tuple[str, ...]]] = {
    "conditions": (_conditions, ("curves",)),
    "map": (_map, ("summary",)),
    "residuals": (_residuals, ("catalogue",)),
    "moments": (_moments, ()),
    "equalisation": (_equalisation, ("equalisation",)),
}
