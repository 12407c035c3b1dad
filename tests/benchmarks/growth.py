"""Does memory stay flat and time grow in proportion with a strip's length? And do workers share?

``python -m tests.benchmarks.growth`` from the top of the repository reduces strips of 4096 columns
and of several lengths with local workers and prints, for each, wall seconds, seconds per thousand
lines, and the peak memory of a worker and of the main process; then a night of several strips. The
shortest strip and the night are reduced with one worker as well, which is the main process itself,
on one core: some steps of a strip are one task each, so that workers share a night better than a
strip. These runs are made twice, in turn, and the faster one of each kind counts: what else a
machine does only ever adds, and a ratio of two runs would tell of it. Beside it stands what two
processes gain in a bare extraction of the same pixels. Kernels are compiled before, on a small
night. Longer strips repeat the sky of a short simulated one. Plan for half an hour.
"""

import argparse
import json
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from tests.benchmarks.__main__ import COLUMNS, MOST_MEMORY, reduce_night
from tests.benchmarks.baseline import extract_bare
from tests.benchmarks.long_strip import make_long_night

SPREAD = 0.10  # by which peak memory may differ from that of the shortest strip
LEAST_SPEEDUP = 1.8  # of two workers over one

Run = dict[str, Any]
Row = tuple[str, str, str, bool | None]  # figure, value, target, whether it is met


def run_length(folder: Path, lines: int, strips: int, workers: list[int]) -> list[Run]:
    """Reduce strips of so many lines with each number of workers; nothing is kept."""
    total = make_long_night(folder, lines, strips)
    found: list[Run] = []
    for number in workers * (2 if len(workers) > 1 else 1):
        wall, worker, parent = reduce_night(folder, folder / "products", number)
        shutil.rmtree(folder / "products")
        text = f"{strips} x {total} lines, {number} worker(s): {wall:.0f} s"
        print(text, file=sys.stderr, flush=True)
        again = next((r for r in found if r["workers"] == number), None)
        if again is not None:
            again["wall"] = min(again["wall"], wall)
            again["worker"] = max(again["worker"], worker)
            again["parent"] = max(again["parent"], parent)
            continue
        found.append({
            "lines": total, "strips": strips, "workers": number, "wall": wall, "worker": worker,
            "parent": parent,
        })  # fmt: skip
    if 1 in workers:
        paths = sorted((folder / "raw").glob("*_s01_*.fits"))
        seconds = {n: extract_bare(paths, n)[1] / n for n in workers}
        for run in found:
            run["bare"] = seconds[run["workers"]]
    shutil.rmtree(folder)
    return found


def judge(runs: list[Run], workers: int) -> list[Row]:
    """Figures with a target: name, value, target, whether it is met."""
    several = [r for r in runs if r["workers"] == workers]
    same = [r for r in several if r["strips"] == 1]
    first = same[0]
    rows: list[Row] = []
    for run in same[1:]:
        ratio = run["worker"] / first["worker"]
        rows.append((
            f"peak memory of a worker, {run['lines']} lines over {first['lines']}",
            f"{ratio:.3f}", f"{1 - SPREAD:.2f} to {1 + SPREAD:.2f}", abs(ratio - 1) <= SPREAD,
        ))  # fmt: skip
        # What a run needs whatever its length (start, report) makes short ones look slow.
        pace = (run["wall"] / run["lines"]) / (first["wall"] / first["lines"])
        rows.append((
            f"seconds per line, {run['lines']} lines over {first['lines']}", f"{pace:.3f}",
            f"<= {1 + SPREAD:.2f}", pace <= 1 + SPREAD,
        ))  # fmt: skip
    most = max(r["worker"] for r in runs) / 2**30
    rows.append(
        ("peak memory of a worker", f"{most:.2f} GiB", f"<= {MOST_MEMORY:g}", most <= MOST_MEMORY)
    )
    for alone in [r for r in runs if r["workers"] == 1 and workers == 2]:
        beside = next(
            r for r in several if (r["lines"], r["strips"]) == (alone["lines"], alone["strips"])
        )
        gain = alone["wall"] / beside["wall"]
        rows.append((
            f"two workers over one, {alone['strips']} x {alone['lines']} lines", f"{gain:.2f} x",
            f">= {LEAST_SPEEDUP:g}", gain >= LEAST_SPEEDUP,
        ))  # fmt: skip
    bare = {r["workers"]: r["bare"] for r in runs if "bare" in r}
    if {1, 2} <= bare.keys():
        text = f"{bare[1] / bare[2]:.2f} x"
        rows.append(("two processes over one, bare extraction", text, "", None))
    return rows


def show(runs: list[Run], rows: list[Row]) -> None:
    """Print both tables."""
    console = Console() if sys.stdout.isatty() else Console(width=120)
    table = Table(title=f"strips of {COLUMNS} columns, {platform.machine()}")
    heads = "strips, lines, workers, s, s per 1000 lines, worker GiB, main process GiB"
    for name in heads.split(", "):
        table.add_column(name, justify="right")
    for r in runs:
        table.add_row(
            str(r["strips"]), str(r["lines"]), str(r["workers"]), f"{r['wall']:.0f}",
            f"{1000 * r['wall'] / (r['strips'] * r['lines']):.2f}", f"{r['worker'] / 2**30:.2f}",
            f"{r['parent'] / 2**30:.2f}",
        )  # fmt: skip
    console.print(table)
    table = Table(title="what it comes to")
    for name in ("figure", "value", "target", "verdict"):
        table.add_column(name)
    for figure, value, target, met in rows:
        verdict = "" if met is None else "ok" if met else "falls short"
        table.add_row(figure, value, target, verdict)
    console.print(table)


def main(arguments: list[str] | None = None) -> int:
    """Command line; status 1 where a figure falls short."""
    parser = argparse.ArgumentParser(
        prog="tests.benchmarks.growth", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--lines", type=int, nargs="+", default=[50_000, 100_000, 200_000])
    parser.add_argument("--strips", type=int, default=4, help="of the night, of the least length")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, help="file for the numbers")
    parser.add_argument("--keep", type=Path, help="folder to work in; else a temporary one")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="driftloom-growth-") as temporary:
        folder = asked.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        small = folder / "small"
        subprocess.run(
            [sys.executable, "-m", "synthetic", "make", "small", str(small)],
            check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        reduce_night(small, small / "products", asked.workers)
        runs: list[Run] = []
        several = [asked.workers, *([1] if asked.workers != 1 else [])]
        shortest, *longer = sorted(asked.lines)
        runs += run_length(folder / "strip", shortest, 1, several)
        for lines in longer:
            runs += run_length(folder / f"strip{lines}", lines, 1, several[:1])
        runs += run_length(folder / "night", shortest, asked.strips, several)
    rows = judge(runs, asked.workers)
    show(runs, rows)
    if asked.json:
        asked.json.write_text(json.dumps(runs, indent=1) + "\n")
    return 0 if all(met is not False for *_, met in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
