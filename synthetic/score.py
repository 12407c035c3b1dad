"""Judge the products of a reduction against the truth of a synthetic run.

Only the product files are read, with general-purpose readers: nothing of the code under judgement
is used. The figures are those of the design; season, speed and memory are measured elsewhere.
"""

import json
import logging
from collections.abc import Iterable
from pathlib import Path

from rich.console import Console
from rich.table import Table

from synthetic.score_calibration import score_calibration
from synthetic.score_detection import score_detection
from synthetic.score_equalised import score_equalised
from synthetic.score_fluxes import score_fluxes, score_pulls
from synthetic.score_masks import score_masks
from synthetic.score_positions import score_positions
from synthetic.score_rows import Row
from synthetic.score_season import score_season
from synthetic.score_smear import score_smear
from synthetic.score_stack import score_stack
from synthetic.score_stars import gather_stars
from synthetic.score_world import World, read_world

__all__ = ["find_exit_code", "main", "make_table", "score_products", "write_json"]

logger = logging.getLogger(__name__)

# Characters in a line where the output is no terminal.
_FILE_WIDTH = 180
_STYLES = {"ok": "green", "falls short": "bold red", "not measured": "yellow"}


def score_products(world: World) -> list[Row]:
    """Compute every row of the score.

    Parameters
    ----------
    world : World
        Truth, and where the products are.

    Returns
    -------
    list of Row
    """
    stars = gather_stars(world)
    logger.info("%d true sources in %d strips", len(stars.truth["line"]), len(world.science))
    return [
        *score_calibration(world),
        *score_season(world),
        *score_masks(world, stars),
        *score_positions(world, stars),
        *score_fluxes(world, stars),
        *score_pulls(world, stars),
        *score_detection(world, stars),
        *score_smear(world, stars),
        *score_stack(world, stars),
        *score_equalised(world, stars),
    ]


def make_table(rows: Iterable[Row]) -> Table:
    """Table of figure, measured value, target, verdict and reason, for a terminal."""
    table = Table(title="Products against truth (all data invented)", show_lines=True)
    for heading, ratio in (("figure", 3), ("measured", 2), ("target", 2), ("verdict", 1)):
        table.add_column(heading, ratio=ratio, overflow="fold")
    table.add_column("n", justify="right")
    table.add_column("note", ratio=6, overflow="fold")
    for row in rows:
        measured = "-" if row.value is None else f"{row.value:.4g} {row.unit}".strip()
        verdict = f"[{_STYLES[row.verdict]}]{row.verdict}[/]"
        table.add_row(row.figure, measured, row.target, verdict, str(row.n or ""), row.note)
    return table


def write_json(rows: Iterable[Row], path: Path) -> None:
    """Write the rows as a JSON list; the file appears whole or not at all.

    Parameters
    ----------
    rows : iterable of Row
        One object each, with the keys figure, value, target, ok, n, unit, note.
    path : pathlib.Path
        File to write.
    """
    text = json.dumps([row.to_dict() for row in rows], indent=1, allow_nan=False)
    partial = path.with_name(path.name + ".partial")
    partial.write_text(text + "\n")
    partial.replace(path)


def find_exit_code(rows: Iterable[Row]) -> int:
    """1 when a row falls short, else 0; rows that were not measured do not count."""
    return int(any(row.ok is False for row in rows))


def main(out: Path, json_path: Path | None = None) -> int:
    """Judge, print the table, write the JSON file.

    Parameters
    ----------
    out : pathlib.Path
        Directory with truth and products.
    json_path : pathlib.Path or None
        Where to write the rows as JSON.

    Returns
    -------
    int
        Exit code: 0 when no figure falls short, 1 when one does, 2 when there is no truth.
    """
    console = Console()
    if not console.is_terminal:
        console = Console(width=_FILE_WIDTH)
    try:
        world = read_world(out)
    except (FileNotFoundError, KeyError, ValueError) as error:
        console.print(f"cannot judge {out}: {error}", style="bold red", markup=False)
        return 2
    rows = score_products(world)
    console.print(make_table(rows))
    if json_path is not None:
        write_json(rows, json_path)
    short = sum(row.ok is False for row in rows)
    unknown = sum(row.ok is None for row in rows)
    console.print(
        f"{len(rows)} figures: {len(rows) - short - unknown} ok, {short} fall short, "
        f"{unknown} not measured"
    )
    return find_exit_code(rows)
