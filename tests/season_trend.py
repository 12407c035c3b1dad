"""Do fluxes run with column over several seasons? `python -m tests.season_trend OUT [--seasons 5]`.

One simulated season has too few bright stars to tell a trend of one thousandth of a magnitude from
none: the error of its own row in the score is 0.4 mmag. Here several seasons, each with other
stars, another detector and another change of response, are simulated, reduced, their season's
vectors made and reprocessed with them, by the commands that a user gives; the trend is fitted to
each and to all stars together. The exit status is 1 where the common one reaches 1 mmag, or is not
known to half of that.
"""

import argparse
import subprocess
import sys
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from synthetic.make import make
from synthetic.scenarios import build_scenario
from synthetic.score_fluxes import fit_trend, gather_trend
from synthetic.score_season import score_season
from synthetic.score_stars import gather_stars
from synthetic.score_world import read_world

__all__ = ["KEYS", "pool", "reduce_season"]

KEYS = ("mag_psf", "mag_aperture")
LIMIT = 1.0  # mmag
FIRST_SEED = 11


def reduce_season(folder: Path, seed: int | None, workers: int) -> None:
    """Simulate a season, reduce it, and reprocess it with its own vectors."""
    make(build_scenario("season", seed=seed), folder, workers=workers)
    config = folder / "observatory.toml"
    season = folder / "season.toml"
    season.write_text(config.read_text() + '[calibration]\nvectors = "season"\n')
    products, raw = str(folder / "products"), str(folder / "raw")
    for command in (
        ["reduce", str(config), raw, products, "--workers", str(workers)],
        ["season", str(config), products],
        ["reprocess", str(season), raw, products, "--workers", str(workers)],
    ):
        subprocess.run(
            [sys.executable, "-m", "pipeline.cli", *command],
            check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip


def pool(folders: list[Path], key: str) -> list[tuple[str, int, float, float]]:
    """Extent and error of the trend: of every season, and of the stars of all (mmag)."""
    parts, rows = [], []
    n_columns = 0
    for folder in folders:
        world = read_world(folder)
        stars = gather_stars(world)
        column, value, error, _ = gather_trend(world, stars, key)
        parts.append((column, value, error))
        n_columns = world.camera.n_columns
        own = fit_trend(column, value, error, n_columns=n_columns, n_sigma=4.0)
        rows.append((folder.name, column.size, own.extent, own.error))
    every = [np.concatenate(part) for part in zip(*parts, strict=True)]
    common = fit_trend(*every, n_columns=n_columns, n_sigma=4.0)
    return [*rows, ("all", every[0].size, common.extent, common.error)]


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="tests.season_trend", description=__doc__.split("\n")[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--seasons", type=int, default=5)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args(arguments)
    # The first is the season of the score; the others differ in everything random.
    seeds = [None, *range(FIRST_SEED, FIRST_SEED + asked.seasons - 1)]
    folders = []
    for seed in seeds:
        folder = asked.out / ("season" if seed is None else f"season-{seed}")
        if not (folder / "products" / "calibration" / "register.toml").exists():
            reduce_season(folder, seed, asked.workers)
        folders.append(folder)
        Console(stderr=True).print(f"{folder.name}: reduced")
    console = Console() if sys.stdout.isatty() else Console(width=120)
    table = Table(title="trend of bright stars' magnitudes with column")
    for name in ("magnitude", "season", "stars", "extent (mmag)", "target", "verdict"):
        table.add_column(name)
    met = True
    for key in KEYS:
        for name, n, extent, error in pool(folders, key):
            verdict = ""
            if name == "all":
                known = error <= LIMIT / 2
                met &= known and extent < LIMIT
                verdict = "not measured" if not known else "ok" if extent < LIMIT else "falls short"
            table.add_row(
                key, name, str(n), f"{extent:.2f} +- {error:.2f}", f"< {LIMIT:g}", verdict
            )
    console.print(table)
    table = Table(title="vectors of the seasons")
    for name in ("season", "figure", "value", "target", "verdict"):
        table.add_column(name)
    for folder in folders:
        for row in score_season(read_world(folder)):
            met &= row.ok is not False
            table.add_row(
                folder.name, row.figure, f"{row.value:.3g} {row.unit}", row.target,
                "ok" if row.ok else "not measured" if row.ok is None else "falls short",
            )  # fmt: skip
    console.print(table)
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
