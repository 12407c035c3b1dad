"""Throughput of the reduction beside a bare extraction and beside general libraries, in one run.

``python -m tests.benchmarks [--json FILE]`` from the top of the repository simulates a strip of
4096 columns, reduces it to catalogue and tiles with local workers, extracts the same pixels with
sep on the same number of processes, and takes a window of them through astropy, photutils and
reproject by hand. Kernels are compiled before, on a small night. Rows that have a target end in
``ok`` or ``falls short``. Only ratios are to be compared between machines. A strip of 200 thousand
lines, the default, wants 20 GB of room in the folder it works in.

The bare extraction that is judged by is the design's: sep's background and its matched filter,
7 x 7 pixels and the noise of every pixel. Beside it stand a kernel that is as wide as the strip's
seeing, and the convolution that sep makes where it is told one noise for all pixels.
"""

import argparse
import json
import math
import os
import platform
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pyarrow.parquet as pq
from astropy.io import fits
from rich.console import Console
from rich.table import Table

from tests.benchmarks.baseline import BareKind, by_hand, extract_bare, write_bare
from tests.benchmarks.long_strip import make_long_night

COLUMNS = 4096
# At most of what is compared with: rates are asked for.
_BARE_FILES, _BARE_BYTES = 32, 4e9
_REACH = 1.25  # of a kernel, in widths of a star: what is cut off costs a hundredth of the S/N^2
WINDOW = 1024  # px: side of the window that is reduced by hand
# What the issue of throughput asks for.
MOST_OVER_BARE, LEAST_OVER_HAND, MOST_MEMORY = 2.0, 10.0, 1.5

Row = dict[str, Any]


class PeakMemory:
    """Largest resident memory of a process and of each of its descendants, sampled."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._process = psutil.Process(process.pid)
        self._stop = threading.Event()
        self.parent = 0
        self.worker = 0
        self._thread = threading.Thread(target=self._sample, daemon=True)
        self._thread.start()

    def _sample(self) -> None:
        while not self._stop.wait(0.2):
            try:
                self.parent = max(self.parent, self._process.memory_info().rss)
                for child in self._process.children(recursive=True):
                    self.worker = max(self.worker, child.memory_info().rss)
            except psutil.Error:
                continue

    def finish(self) -> None:
        """Stop sampling."""
        self._stop.set()
        self._thread.join()


@contextmanager
def _cores(number: int) -> Iterator[None]:
    """Let what is started in the body have no more cores than it is to have workers.

    Also one process has threads that write while another computes; on a core of their own they
    would make one worker look like more.
    """
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, sorted(before)[:number])
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def reduce_night(folder: Path, out: Path, workers: int) -> tuple[float, int, int]:
    """Wall seconds of ``driftloom reduce``, peak memory of a worker and of the main process.

    It runs on as many cores as it has workers.
    """
    config = folder / "throughput.toml"
    # One night: nothing to stack.
    text = (folder / "observatory.toml").read_text()
    config.write_text(f"{text}\n[stack]\nmin_epochs = 2\n")
    command = [
        sys.executable, "-m", "pipeline.cli", "reduce", str(config), str(folder / "raw"), str(out),
        "--workers", str(workers),
    ]  # fmt: skip
    begin = time.perf_counter()
    with _cores(workers):
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    with process:
        memory = PeakMemory(process)
        status = process.wait()
        memory.finish()
    if status != 0:
        sys.exit(f"the reduction ended with status {status}; see {out / 'ledger.jsonl'}")
    return time.perf_counter() - begin, memory.worker, memory.parent


def read_steps(out: Path) -> dict[str, tuple[int, float]]:
    """Tasks and their seconds, by step, from the ledger."""
    steps: dict[str, tuple[int, float]] = {}
    for text in (out / "ledger.jsonl").read_text().splitlines():
        entry = json.loads(text)
        if entry.get("seconds") is not None and entry["step"] != "run":
            n, seconds = steps.get(entry["step"], (0, 0.0))
            steps[entry["step"]] = (n + 1, seconds + entry["seconds"])
    return steps


def read_star_width(out: Path) -> float:
    """Full width at half maximum of the seeing, px: median along the strip."""
    curves = pq.read_table(next((out / "strips").rglob("curves.parquet")), columns=["fwhm"])
    return float(np.nanmedian(curves["fwhm"].to_numpy()))


def _spread(paths: list[Path], number: int) -> list[Path]:
    """So many of a strip's files at most, evenly from all of it."""
    at = np.linspace(0, len(paths) - 1, min(number, len(paths))).round().astype(int)
    return [paths[i] for i in at]


def _bare_rate(paths: list[Path], workers: int, kind: BareKind) -> float:
    """Million pixels a second and a core of a bare extraction."""
    pixels, seconds = extract_bare(paths, workers, kind)
    return pixels / seconds / 1e6


def judge(name: str, value: float, target: str, passed: bool, unit: str = "") -> Row:
    """A row with a target."""
    return {
        "figure": name, "value": value, "unit": unit, "target": target,
        "verdict": "ok" if passed else "falls short",
    }  # fmt: skip


def measure(folder: Path, lines: int, workers: int, say: Callable[[str], None]) -> dict[str, Any]:
    """Run everything; rows and what they were made of."""
    say("compiling kernels on a small night")
    small = folder / "small"
    subprocess.run(
        [sys.executable, "-m", "synthetic", "make", "small", str(small)],
        check=True, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    reduce_night(small, small / "products", workers)
    say(f"simulating {COLUMNS} columns")
    night = folder / "night"
    total = make_long_night(night, lines)
    paths = sorted((night / "raw").glob("*_s01_*.fits"))
    pixels = total * COLUMNS / 1e6
    say(f"reducing {total} lines, {pixels:.0f} Mpix")
    wall, worker, parent = reduce_night(night, night / "products", workers)
    steps = read_steps(night / "products")
    say("bare extraction")
    width = read_star_width(night / "products")
    kinds = [
        ("matched filter", BareKind(), _BARE_FILES),
        ("matched filter as wide as the seeing",
         BareKind(fwhm=width, half=math.ceil(_REACH * width)), 4 * workers),
        ("convolution, one noise for all", BareKind(noise="one"), 4 * workers),
    ]  # fmt: skip
    rates = {
        f"{name}, {2 * kind.half + 1} x {2 * kind.half + 1}":
        _bare_rate(_spread(paths, number), workers, kind)
        for name, kind, number in kinds
    }  # fmt: skip
    sizes = [p.stat().st_size for p in sorted((night / "products" / "tiles").rglob("*.fits"))]
    say(f"writing the {sum(sizes) / 1e9:.1f} GB of tiles alone")
    some = sizes[:: 1 + int(sum(sizes) // _BARE_BYTES)]
    write_wall = write_bare(folder / "bare", some, workers) * sum(sizes) / sum(some)
    say("by hand")
    hand = by_hand(paths[1], lines=WINDOW, columns=WINDOW)
    core = wall * workers
    judged, *others = rates
    bare_core = pixels / rates[judged]
    period = float(fits.getheader(paths[0])["LINEPER"])
    rows = [
        judge(f"raw to catalogue and tiles, over bare background and {judged}",
              core / bare_core, f"<= {MOST_OVER_BARE:g}", core / bare_core <= MOST_OVER_BARE),
        *({"figure": f"raw to catalogue and tiles, over bare background and {name}",
           "value": core * rates[name] / pixels, "unit": ""} for name in others),
        judge("the same steps by hand, over raw to catalogue and tiles",
              sum(hand.values()) * pixels / core, f">= {LEAST_OVER_HAND:g}",
              sum(hand.values()) * pixels / core >= LEAST_OVER_HAND),
        judge("peak memory of a worker", worker / 2**30, f"<= {MOST_MEMORY:g}",
              worker / 2**30 <= MOST_MEMORY, "GiB"),
        {"figure": "column summaries and search alone, over bare background and matched filter",
         "value": (steps["summary"][1] + steps["search"][1]) / bare_core, "unit": ""},
        {"figure": "writing the tiles' bytes alone, over bare background and matched filter",
         "value": write_wall * workers / bare_core, "unit": ""},
        {"figure": "peak memory of the main process", "value": parent / 2**30, "unit": "GiB"},
        {"figure": "lines reduced per second, over lines the sky delivers",
         "value": total / wall * period, "unit": ""},
        {"figure": "raw to catalogue and tiles", "value": pixels / core, "unit": "Mpix/s a core"},
        *({"figure": f"bare background and {name}", "value": rate, "unit": "Mpix/s a core"}
          for name, rate in rates.items()),
    ]  # fmt: skip
    return {
        "lines": total, "columns": COLUMNS, "workers": workers, "wall": wall, "rows": rows,
        "steps": {k: {"tasks": n, "seconds": s} for k, (n, s) in steps.items()}, "hand": hand,
    }  # fmt: skip


def show(found: dict[str, Any]) -> None:
    """Print the tables."""
    console = Console() if sys.stdout.isatty() else Console(width=120)
    pixels = found["lines"] * found["columns"] / 1e6
    head = (
        f"{found['lines']} lines x {found['columns']} columns, {found['workers']} workers, "
        f"{platform.machine()}"
    )
    table = Table(title=head)
    for name in ("step", "tasks", "core seconds", "Mpix/s a core"):
        table.add_column(name, justify="left" if name == "step" else "right")
    total = 0.0
    for step, part in found["steps"].items():
        total += part["seconds"]
        rate = f"{pixels / part['seconds']:.1f}" if part["seconds"] else ""
        table.add_row(step, str(part["tasks"]), f"{part['seconds']:.1f}", rate)
    rest = found["wall"] * found["workers"] - total
    table.add_row("idle, start, report", "", f"{rest:.1f}", "")
    for step, seconds in found["hand"].items():
        table.add_row(f"by hand: {step}", "", f"{seconds * pixels:.0f}", f"{1 / seconds:.2f}")
    console.print(table)
    table = Table(title="what it comes to")
    for name in ("figure", "value", "target", "verdict"):
        table.add_column(name)
    for row in found["rows"]:
        table.add_row(
            row["figure"], f"{row['value']:.3g} {row['unit']}".strip(), row.get("target", ""),
            row.get("verdict", ""),
        )  # fmt: skip
    console.print(table)


def main(arguments: list[str] | None = None) -> int:
    """Command line; status 1 where a figure falls short."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks", description=__doc__.split("\n")[0])
    parser.add_argument("--json", type=Path, help="file for the numbers")
    parser.add_argument("--lines", type=int, default=200_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder to work in, kept; else a temporary one")
    asked = parser.parse_args(arguments)
    begin = time.perf_counter()

    def say(text: str) -> None:
        print(f"{time.perf_counter() - begin:6.0f} s  {text}", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory(prefix="driftloom-benchmark-") as temporary:
        found = measure(asked.keep or Path(temporary), asked.lines, asked.workers, say)
    found["seconds"] = time.perf_counter() - begin
    say("done")
    show(found)
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=1) + "\n")
    return 0 if all(r.get("verdict", "ok") == "ok" for r in found["rows"]) else 1


if __name__ == "__main__":
    sys.exit(main())
