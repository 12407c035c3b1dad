"""Time of the quick look beside the full reduction of the same strip, in one run, and its truth.

``python -m tests.quicklook_speed [--lines N]`` from the top of the repository simulates a strip of
4096 columns, takes a quick look at it and reduces it, each as a command of its own, and prints the
times, their ratio with its target, and what the quick look found beside what was simulated.
Kernels are compiled before, on a small night. Nothing else may run beside it.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from rich.console import Console
from rich.table import Table

SKIP = 500  # lines after the ramp and before the end that the long strip does not repeat
MOST = 1 / 15  # of the time of the reduction; what the issue of the quick look asks for


def core_seconds() -> float:
    """Of all processes that have been waited for."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def run(*arguments: object) -> tuple[float, float]:
    """Wall and core seconds of a command of the program."""
    command = [sys.executable, "-m", "pipeline.cli", *map(str, arguments)]
    begin, before = time.perf_counter(), core_seconds()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in {0, 1}:
        sys.exit(f"{' '.join(command)} ended with status {done.returncode}: {done.stderr[-2000:]}")
    return time.perf_counter() - begin, core_seconds() - before


def compare(
    folder: Path, name: str, page: Path, *, lengthened: bool
) -> list[tuple[str, float, float, float, str]]:
    """What was found, its error and the truth, with units.

    The error of what changes along the strip is the rms of the blocks against the truth.
    """
    numbers = json.loads((page / "numbers.json").read_text())
    found = {r["name"]: r for r in numbers["readings"]}
    scenario = json.loads((folder / "truth" / "scenario.json").read_text())
    lines = pq.read_table(folder / "truth" / f"{name}_lines.parquet").to_pydict()
    table = next(
        t for s in numbers["sections"] for t in s["tables"] if t["caption"] == "blocks of the strip"
    )
    heads = [c["name"] for c in table["columns"]]
    rows = np.array([[np.nan if v is None else v for v in row] for row in table["rows"]])
    at = rows[:, heads.index("line")].astype(int)
    # Lines behind the first are those of a shorter strip again.
    start, stop = scenario["n_stage"] + SKIP, len(lines["sky"]) - SKIP
    if lengthened:
        at = np.where(at < stop, at, start + (at - start) % (stop - start))
    scale = scenario["pixel_scale_arcsec"]
    out = []
    for head, true, unit in (
        ("sky", np.array(lines["sky"])[at], "electron/px"),
        ("seeing", np.array(lines["fwhm"])[at] * scale, "arcsec"),
    ):
        mine = rows[:, heads.index(head)]
        error = float(np.sqrt(np.nanmean((mine - true) ** 2)))
        out.append((f"{head}, median of blocks", float(np.nanmedian(mine)), error,
                    float(np.median(true)), unit))  # fmt: skip
    for head, key, unit in (
        ("line period, advised", "matched_line_period_s", "s"),
        ("rotation of the camera", "rotation_deg", "deg"),
    ):
        reading = found[head]
        out.append((head, reading["value"], reading["error"], scenario[key], unit))
    return out


def read_advice(products: Path, name: str) -> dict[str, str]:
    """What the full reduction advises, as it is printed beside the quick look."""
    path = next((products / "strips").glob(f"*/{name}/solution.json"))
    advice = json.loads(path.read_text())["advice"]
    keys = {"line period, advised": "line_period", "rotation of the camera": "rotation_deg"}
    return {
        head: f"{advice[key]['value']:.8g} +- {advice[key]['error']:.2g}"
        for head, key in keys.items()
    }


def main(arguments: list[str] | None = None) -> int:
    """Command line; status 1 where the quick look takes too long."""
    parser = argparse.ArgumentParser(prog="tests.quicklook_speed", description=__doc__)
    parser.add_argument("--lines", type=int, default=50_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder to work in, kept; else a temporary one")
    asked = parser.parse_args(arguments)
    from tests.benchmarks.long_strip import make_long_night

    with tempfile.TemporaryDirectory(prefix="driftloom-quicklook-") as temporary:
        folder = asked.keep or Path(temporary)
        small, night = folder / "small", folder / "night"
        command = [sys.executable, "-m", "synthetic", "make", "small", str(small)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        run("reduce", small / "observatory.toml", small / "raw", small / "products",
            "--workers", asked.workers)  # fmt: skip
        run("quicklook", small / "observatory.toml", small / "raw", "--out", small / "page")
        total = make_long_night(night, asked.lines)
        first = min((night / "raw").glob("*_s01_*.fits"))
        name = first.name.rsplit("_", 1)[0]
        quick = run("quicklook", night / "observatory.toml", first, "--out", night / "page")
        config = night / "quick.toml"  # one night: nothing to stack
        text = (night / "observatory.toml").read_text()
        config.write_text(f"{text}\n[stack]\nmin_epochs = 2\n")
        full = run("reduce", config, night / "raw", night / "products",
                   "--workers", asked.workers)  # fmt: skip
        reduced = read_advice(night / "products", name)
        rows = compare(night, name, night / "page", lengthened=True)
    console = Console() if sys.stdout.isatty() else Console(width=110)
    table = Table(title=f"{total} lines x 4096 columns, {asked.workers} worker(s)")
    for head in ("what", "wall s", "core s", "wall ratio", "core ratio", "target", "verdict"):
        table.add_column(head)
    ok = quick[0] <= MOST * full[0]
    table.add_row("full reduction", *(f"{seconds:.1f}" for seconds in full), "", "", "", "")
    table.add_row(
        "quick look", *(f"{seconds:.1f}" for seconds in quick),
        *(f"1/{f / q:.1f}" for f, q in zip(full, quick, strict=True)), "<= 1/15",
        "ok" if ok else "falls short",
    )  # fmt: skip
    console.print(table)
    table = Table(title="what the quick look found")
    for head in ("quantity", "found", "error", "truth", "full reduction", "unit"):
        table.add_column(head)
    for what, value, error, true, unit in rows:
        table.add_row(what, f"{value:.8g}", f"{error:.2g}", f"{true:.8g}",
                      reduced.get(what, ""), unit)  # fmt: skip
    console.print(table)
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
