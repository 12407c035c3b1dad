"""Two reductions of the same strips compared from their product files: tables, pictures, a page."""

import logging
import platform
from dataclasses import dataclass
from pathlib import Path

from pipeline import __version__
from pipeline.errors import ProductError
from pipeline.io.columns import (
    COMPARISON_COLUMNS,
    COMPARISON_LINES,
    COMPARISON_MAGNITUDES,
    COMPARISON_RESPONSES,
    COMPARISON_STACKS,
    COMPARISON_STRIPS,
)
from pipeline.io.provenance import Provenance
from pipeline.io.tables import write_table
from pipeline.report.compare_measure import CompareOptions
from pipeline.report.compare_page import write_page
from pipeline.report.compare_read import Both, Side, Table
from pipeline.report.compare_tables import (
    Rows,
    compare_responses,
    compare_stacks,
    compare_strip,
    join_tables,
    tabulate,
)

__all__ = ["CompareOptions", "Comparison", "compare_products"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Comparison:
    """What a comparison found; new minus old, new over old.

    Parameters
    ----------
    page : Path
        The page.
    files : tuple of Path
        Tables, as Parquet and FITS.
    identical : bool
        Every product compared is on both sides and holds the same values.
    problems : tuple of str
        Product files that were missing or damaged, by side.
    strips, columns, magnitudes, lines, responses, stacks : dict of str to ndarray
        The tables (`pipeline.io.columns`).
    """

    page: Path
    files: tuple[Path, ...]
    identical: bool
    problems: tuple[str, ...]
    strips: Table
    columns: Table
    magnitudes: Table
    lines: Table
    responses: Table
    stacks: Table

    def __repr__(self) -> str:
        verdict = "identical" if self.identical else "different"
        return (
            f"<Comparison: {verdict}, {len(self.strips['strip'])} strips, "
            f"{len(self.stacks['tile'])} stacks, {len(self.problems)} problems>"
        )


def compare_products(
    old: Path,
    new: Path,
    out: Path,
    *,
    options: CompareOptions | None = None,
    names: tuple[str, str] | None = None,
) -> Comparison:
    """Compare the products of two reductions, and write what differs to ``OUT/comparison``.

    Only finished product files are read: strip catalogues, curves, solutions, column vectors of
    the nights, stacks and deep catalogues. Files that are missing or damaged are named, and the
    rest is compared.

    Parameters
    ----------
    old, new : Path
        Folders of products before and after.
    out : Path
        Folder that gets ``comparison/index.html``, its pictures, and the tables strips, columns,
        magnitudes, lines, responses and stacks as Parquet and FITS. Each file is replaced at once,
        the page last; pictures of an older comparison that this one lacks are removed.
    options : CompareOptions, optional
        How it is done.
    names : tuple of str, optional
        What the page calls the two, where they will not stay where they are.

    Returns
    -------
    Comparison

    Raises
    ------
    ProductError
        If a folder holds no products, or the system refuses to write.
    """
    options = options or CompareOptions()
    both = Both(Side("old", Path(old)), Side("new", Path(new)))
    for side in (both.old, both.new):
        if not _has_products(side.root):
            msg = (
                f"{side.root}: no products here to compare ({side.name}); "
                "give the folder that `reduce` wrote"
            )
            raise ProductError(msg)
    folder = Path(out) / "comparison"
    rows = Rows()
    compare_responses(both, rows)
    found = [compare_strip(both, s, rows, options) for s in both.folders("strips/*/*")]
    compare_stacks(both, rows, options, say=lambda stem: logger.info("compared %s", stem))
    problems = both.problems
    identical = bool(rows.same) and all(rows.same) and not problems
    tables = {
        "strips": (tabulate(rows.strips, COMPARISON_STRIPS), COMPARISON_STRIPS),
        "columns": (tabulate(rows.columns, COMPARISON_COLUMNS), COMPARISON_COLUMNS),
        "magnitudes": (tabulate(rows.magnitudes, COMPARISON_MAGNITUDES), COMPARISON_MAGNITUDES),
        "lines": (tabulate(rows.lines, COMPARISON_LINES), COMPARISON_LINES),
        "responses": (join_tables(rows.responses, COMPARISON_RESPONSES), COMPARISON_RESPONSES),
        "stacks": (tabulate(rows.stacks, COMPARISON_STACKS), COMPARISON_STACKS),
    }
    files: list[Path] = []
    meta = {
        "RADIUS": (options.radius, "[pixel] largest distance of a pair"),
        "BRIGHT": (options.bright_error, "[mag] error below which a star is bright"),
        "NSIGMA": (options.significance, "own errors beyond which a magnitude changed"),
        "SAME": (identical, "every product holds the same values"),
    }
    provenance = _provenance(both)
    for name, (table, schema) in tables.items():
        files += write_table(
            folder / name, table, schema=schema, meta=meta, provenance=provenance,
            formats=("parquet", "fits"),
        )  # fmt: skip
    pictures = write_page(
        folder, rows, [s for s in found if s is not None], identical=identical,
        names=names or (str(both.old.root), str(both.new.root)), problems=problems, options=options,
    )  # fmt: skip
    for path in folder.glob("*.png"):
        if path.name not in pictures:
            path.unlink()
    return Comparison(
        page=folder / "index.html", files=tuple(files), identical=identical,
        problems=tuple(problems), **{name: table for name, (table, _) in tables.items()},
    )  # fmt: skip


def _has_products(root: Path) -> bool:
    patterns = ("strips/*/*/*", "calibration/*/*", "stacks/*.fits", "deep/*")
    return any(next(root.glob(p), None) is not None for p in patterns)


def _provenance(both: Both) -> Provenance:
    """The files read on both sides; libraries and configuration are those of the new products."""
    found = both.new.provenance
    return Provenance(
        code=f"driftloom {__version__}",
        python=platform.python_version(),
        libraries=found.libraries if found else (),
        config=found.config if found else "",
        inputs=tuple(
            (f"{side.name}/{name}", checksum)
            for side in (both.old, both.new)
            for name, checksum in sorted(side.inputs.items())
        ),
    )
