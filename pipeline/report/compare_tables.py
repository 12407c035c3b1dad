"""The tables of a comparison, row by row, from the product files of both sides."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.io.columns import Schema
from pipeline.report.compare_measure import (
    KINDS,
    CompareOptions,
    Pairs,
    Trend,
    divide,
    edges_of,
    find_middle,
    fit_trend,
    measure_deep,
    measure_stack,
    pair_catalogues,
)
from pipeline.report.compare_read import Both, Table, have_same_values

__all__ = [
    "Rows",
    "StripChange",
    "compare_responses",
    "compare_stacks",
    "compare_strip",
    "join_tables",
    "tabulate",
]

Row = dict[str, Any]
_MAGS = [f"mag_{kind}{end}" for kind in KINDS for end in ("", "_err")]
_CATALOGUE = ("line", "column", "ra", "dec", "flags", "ref_mag_offset", *_MAGS)
_CURVES = ("line", "zero_point", "zero_point_err")
_RESPONSE = ("column", "response", "response_err", "mask")
_DEEP = ("tile", "flux_psf", "flux_psf_err", "flags")
_NIGHT = re.compile(r"\d{4}-\d{2}-\d{2}")  # other folders of calibrations belong to no night


@dataclass
class Rows:
    """Rows of every table, as they are found."""

    strips: list[Row] = field(default_factory=list)
    columns: list[Row] = field(default_factory=list)
    magnitudes: list[Row] = field(default_factory=list)
    lines: list[Row] = field(default_factory=list)
    responses: list[Table] = field(default_factory=list)
    stacks: list[Row] = field(default_factory=list)
    same: list[bool] = field(default_factory=list)


@dataclass(frozen=True)
class StripChange:
    """What the page shows of a strip: its rows of the tables."""

    name: str
    strip: Row
    columns: list[Row]
    magnitudes: list[Row]
    lines: list[Row]


def tabulate(rows: Sequence[Mapping[str, Any]], schema: Schema) -> Table:
    """Rows as the columns of a schema.

    Parameters
    ----------
    rows : sequence of mapping
        Column name to value; a real number that is absent is not known.
    schema : tuple of Column

    Returns
    -------
    dict of str to ndarray
    """
    found: Table = {}
    for column in schema:
        kind: Any = str if column.kind == "str" else column.kind
        absent = np.nan if column.kind.startswith("float") else 0
        found[column.name] = np.array([r.get(column.name, absent) for r in rows], dtype=kind)
    return found


def join_tables(tables: Sequence[Table], schema: Schema) -> Table:
    """Tables of one schema below each other; without rows where there is none."""
    if not tables:
        return tabulate([], schema)
    return {c.name: np.concatenate([t[c.name] for t in tables]) for c in schema}


def compare_responses(both: Both, rows: Rows) -> None:
    """Add the ratio of every night's response vectors, column by column.

    Parameters
    ----------
    both : Both
    rows : Rows
        Its ``responses`` get one table a vector.
    """
    for stem in both.stems("calibration/*/*_dark.*"):
        if _NIGHT.fullmatch(stem.split("/")[1]):
            rows.same.append(have_same_values(*both.tables(stem, ("column",))))
    for stem in both.stems("calibration/*/*_response.*"):
        _, night, name = stem.split("/")
        if not _NIGHT.fullmatch(night):
            continue
        old, new = both.tables(stem, _RESPONSE)
        rows.same.append(have_same_values(old, new))
        if old is None or new is None:
            continue
        if not np.array_equal(old["column"], new["column"]):
            both.new.problems.append(f"new: {stem}: has other columns than old")
            continue
        good = (old["mask"] == 0) & (new["mask"] == 0)
        ratio = np.where(good, divide(new["response"], old["response"]), np.nan)
        relative = [divide(t["response_err"], t["response"]) for t in (old, new)]
        n = len(ratio)
        rows.responses.append(
            {
                "night": np.full(n, night),
                "vector": np.full(n, name.removesuffix("_response")),
                "column": old["column"],
                "response_old": old["response"],
                "response_new": new["response"],
                "response_ratio": ratio,
                "response_ratio_err": np.abs(ratio) * np.hypot(*relative),
                "mask_old": old["mask"],
                "mask_new": new["mask"],
            }
        )


def compare_strip(
    both: Both, folder: str, rows: Rows, options: CompareOptions
) -> StripChange | None:
    """Add all that is known of a strip on both sides.

    Parameters
    ----------
    both : Both
    folder : str
        ``strips/<night>/<strip>``.
    rows : Rows
        Gets a row of the strip and those of its bins.
    options : CompareOptions

    Returns
    -------
    StripChange or None
        None where a catalogue is missing or damaged.
    """
    _, night, name = folder.split("/")
    catalogues = both.tables(f"{folder}/catalogue", _CATALOGUE)
    curves = both.tables(f"{folder}/curves", _CURVES)
    solutions = both.old.json(f"{folder}/solution.json"), both.new.json(f"{folder}/solution.json")
    same = [have_same_values(*pair) for pair in (catalogues, curves, solutions)]
    rows.same += same
    label = {"strip": name, "night": night}
    lines = [label | r for r in _lines(*curves)]
    rows.lines += lines
    old, new = catalogues
    if old is None or new is None:
        return None
    meta = both.new.meta(f"{folder}/catalogue")
    pairs = pair_catalogues(old, new, options)
    vector = f"{meta.get('CHIP', '')}_{meta.get('FILTER', '')}"
    response = next(
        (t for t in rows.responses if (t["night"][0], t["vector"][0]) == (night, vector)), None
    )
    n_columns = _count_columns(response, solutions, (old, new))
    strip = label | {"filter": str(meta.get("FILTER", "")), "identical": all(same)}
    strip |= _whole(pairs, options, n_columns) | _response_ratio(response, 0, n_columns, options)
    strip |= {"n_old": len(old["line"]), "n_new": len(new["line"])}
    change = np.array([r["zero_point_change"] for r in lines], dtype=np.float64)
    strip |= _middle("zero_point", change, options)
    known = np.abs(change[np.isfinite(change)])
    strip["zero_point_most"] = float(known.max()) if known.size else np.nan
    for side, solution in zip(("old", "new"), solutions, strict=True):
        for key in ("rms_line", "rms_column", "zero_point_rms"):
            value = (solution or {}).get(key)
            strip[f"{key}_{side}"] = np.nan if value is None else float(value)
    columns = [
        label | _column_bin(pairs, low, high, options)
        | _response_ratio(response, low, high, options)
        for low, high in edges_of(n_columns, options)
    ]  # fmt: skip
    magnitudes = [label | r for r in _magnitude_bins(pairs, options)]
    rows.strips.append(strip)
    rows.columns += columns
    rows.magnitudes += magnitudes
    return StripChange(name, strip, columns, magnitudes, lines)


def compare_stacks(
    both: Both, rows: Rows, options: CompareOptions, *, say: Callable[[str], None]
) -> None:
    """Add noise and depth of every stack, and of the deep catalogue in its tile.

    Parameters
    ----------
    both : Both
    rows : Rows
    options : CompareOptions
    say : callable
        Called with the name of each stack as it is done.
    """
    deep = {}
    for stem in both.stems("deep/*.*"):
        deep[stem.split("/")[1]] = pair = both.tables(stem, _DEEP)
        rows.same.append(have_same_values(*pair))
    for stem in both.stems("stacks/*.fits"):
        tile, _, filter_name = stem.split("/")[1].rpartition("_")
        old, new = both.old.stack(stem), both.new.stack(stem)
        same = old is not None and new is not None and have_same_values(vars(old), vars(new))
        rows.same.append(same)
        if old is None and new is None:
            continue
        if old is not None and new is not None and old.flux.shape != new.flux.shape:
            both.new.problems.append(f"new: {stem}.fits: has another size than old")
        row = {"tile": tile, "filter": filter_name, "identical": same, **measure_stack(old, new)}
        error = 0.0
        for side, table in zip(("old", "new"), deep.get(filter_name, (None, None)), strict=True):
            n, depth, depth_err = measure_deep(table, tile, fewest=options.fewest)
            row |= {f"n_deep_{side}": n, f"depth_deep_{side}": depth}
            error = float(np.hypot(error, depth_err))
        row["depth_deep_change"] = row["depth_deep_new"] - row["depth_deep_old"]
        row["depth_deep_change_err"] = error
        rows.stacks.append(row)
        say(stem)


def _middle(
    name: str, values: NDArray[np.float64], options: CompareOptions, *, spread: bool = True
) -> Row:
    found = find_middle(values, fewest=options.fewest)
    row = {f"{name}_change": found.value, f"{name}_change_err": found.error}
    return row | ({f"{name}_spread": found.spread} if spread else {})


def _changes(pairs: Pairs, use: NDArray[np.bool_], names: Sequence[str], o: CompareOptions) -> Row:
    row: Row = {"n": int(use.sum())}
    for name in names:
        row |= _middle(name, pairs.change(name)[use], o)
    return row


def _whole(pairs: Pairs, options: CompareOptions, n_columns: int) -> Row:
    """Row of a strip, from its sources."""
    clean = pairs.clean
    row = _changes(pairs, clean, [*(f"mag_{k}" for k in KINDS), "line", "column"], options)
    for name in ("ra", "dec"):
        row |= _middle(name, pairs.sky_change(name)[clean], options)
    for kind in KINDS:
        ratio = find_middle(pairs.error_ratio(kind)[clean], fewest=options.fewest)
        row[f"mag_{kind}_error_ratio"] = ratio.value
        row[f"n_changed_{kind}"] = pairs.count_changed(kind, options.significance)
    row |= {
        "n_kept": len(clean),
        "n_lost": len(pairs.lost["line"]),
        "n_gained": len(pairs.gained["line"]),
        "n_flags_changed": int(np.count_nonzero(pairs.old["flags"] != pairs.new["flags"])),
    }
    bright = pairs.bright(options)
    column = pairs.old["column"][bright]
    offsets = [t["ref_mag_offset"][bright] for t in (pairs.old, pairs.new)]
    trends: dict[str, Trend] = {
        key: fit_trend(column, values, n_columns=n_columns)
        for key, values in (
            ("trend_old", offsets[0]),
            ("trend_new", offsets[1]),
            ("trend_change", offsets[1] - offsets[0]),
        )
    }
    for key, trend in trends.items():
        row |= {key: trend.value, f"{key}_err": trend.error}
    return row | {"n_trend": int(bright.sum())}


def _column_bin(pairs: Pairs, low: float, high: float, options: CompareOptions) -> Row:
    # Column centres are at integers: column c reaches from c - 1/2 to c + 1/2.
    inside = (pairs.old["column"] >= low - 0.5) & (pairs.old["column"] < high - 0.5)
    names = [*(f"mag_{k}" for k in KINDS), "line", "column"]
    row = _changes(pairs, inside & pairs.clean, names, options)
    row |= {"column_from": low, "column_to": high}
    bright = inside & pairs.bright(options)
    row["n_bright"] = int(bright.sum())
    for side, table in (("old", pairs.old), ("new", pairs.new)):
        found = find_middle(table["ref_mag_offset"][bright], fewest=options.fewest)
        row |= {f"bright_offset_{side}": found.value, f"bright_offset_{side}_err": found.error}
    return row


def _magnitude_bins(pairs: Pairs, options: CompareOptions) -> list[Row]:
    """Bins of the old magnitude; of the new one where only that is known."""
    values = [t["mag_psf"] for t in (pairs.old, pairs.lost, pairs.gained)]
    known = np.concatenate(values)
    known = known[np.isfinite(known)]
    if not known.size:
        return []
    width = options.magnitude_bin
    rows = []
    for step in range(int(np.floor(known.min() / width)), int(np.floor(known.max() / width)) + 1):
        low, high = step * width, (step + 1) * width
        kept, lost, gained = [(v >= low) & (v < high) for v in values]
        use = kept & pairs.clean
        row = _changes(pairs, use, [f"mag_{k}" for k in KINDS], options)
        ratio = find_middle(pairs.error_ratio("psf")[use], fewest=options.fewest)
        row |= {"mag_from": low, "mag_to": high, "mag_psf_error_ratio": ratio.value}
        row |= {"n_kept": int(kept.sum()), "n_lost": int(lost.sum())}
        rows.append(row | {"n_gained": int(gained.sum())})
    return rows


def _lines(old: Table | None, new: Table | None) -> list[Row]:
    """Zero points at the old lines; the new ones between their own bins where those differ."""
    if old is None or new is None or not old["line"].size or not new["line"].size:
        return []
    line = np.asarray(old["line"], dtype=np.float64)
    there = (line >= new["line"].min()) & (line <= new["line"].max())
    value, error = (
        np.where(there, np.interp(line, new["line"], new[n]), np.nan)
        for n in ("zero_point", "zero_point_err")
    )
    table = {
        "line": line,
        "zero_point_old": old["zero_point"],
        "zero_point_new": value,
        "zero_point_change": value - old["zero_point"],
        "zero_point_change_err": np.hypot(error, old["zero_point_err"]),
    }
    return [{k: float(v[i]) for k, v in table.items()} for i in range(line.size)]


def _response_ratio(
    response: Table | None, low: float, high: float, options: CompareOptions
) -> Row:
    if response is None:
        return {"response_ratio": np.nan, "response_ratio_err": np.nan}
    inside = (response["column"] >= low) & (response["column"] < high)
    found = find_middle(response["response_ratio"][inside], fewest=options.fewest)
    return {"response_ratio": found.value, "response_ratio_err": found.error}


def _count_columns(
    response: Table | None, solutions: Sequence[dict[str, Any] | None], catalogues: Sequence[Table]
) -> int:
    """Columns of the chip, from the response, the solution, or the sources."""
    if response is not None:
        return int(response["column"].max()) + 1
    for solution in solutions:
        column = (solution or {}).get("smear_table", {}).get("column")
        if column:
            return round(column[-1]) + 1
    known = np.concatenate([t["column"][np.isfinite(t["column"])] for t in catalogues])
    return max(1, int(known.max()) + 1) if known.size else 1
