"""Is a whole season planned without a pause?

``python -m tests.benchmarks.season_plan`` from the top of the repository makes a folder of raw
segments of 150 nights of 1.1 million lines that hold headers and no pixels (sparse files: 1.4 TB
that take some megabytes), asks ``driftloom reduce --dry-run`` in a process of its own what there
is to do, and prints how many tasks that are, seconds in all and night by night from the command's
log, and the peak memory of the process. What stays behind from night to night would show as nights
that take longer and longer. Then as many tasks as some of those nights have are handed to two local
workers and do nothing there: how many are under way at a time, and how long the workers are at
most without one, is the runner's own doing. It takes two minutes.
"""

import argparse
import json
import math
import platform
import re
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from astropy.io import fits
from rich.console import Console
from rich.table import Table

from pipeline.attempt import Outcome, Task
from pipeline.graph import open_runner
from tests.benchmarks.__main__ import COLUMNS, PeakMemory

MOST_UNEVEN = 5.0  # the longest night over the median one: what is slower is a pause
MOST_GROWTH = 1.5  # the last tenth of the nights over the first
MOST_MEMORY, MOST_SECONDS = 1.5, 300.0  # GiB, s
WORKERS, AHEAD = 2, 3  # workers that do nothing, tasks under way for each
MOST_PAUSE = 1.0  # s without an outcome of tasks that take no time
SOME_NIGHTS = 3  # whose tasks are handed in

SEGMENT = 65_536  # lines of a file
DARK_LINES = 4096  # of the strip with the shutter closed that begins each night
_LATITUDE, _SCALE = -33.0, 0.4  # deg, arcsec: 1.1 million lines pass in ten hours
_OVERSCAN = 16  # columns of each amplifier
_SIDEREAL = 15.041067  # arcsec/s of the sky at the equator
PERIOD = _SCALE / (_SIDEREAL * math.cos(math.radians(_LATITUDE)))  # s, of a line
_FIRST = datetime(2025, 3, 1, 1, 0, tzinfo=UTC)  # dusk of the first night
_CARD, _BLOCK = 80, 2880

_CONFIGURATION = """# INVENTED DATA: this site, camera and catalogue exist nowhere.
[observatory]
name = "Plan Ridge (invented)"
latitude = {latitude}
longitude = -71.3
height = 1120.0
[camera]
pixel_scale = {scale}
columns = {columns}
n_stage = 2048
{amplifiers}
[raw.keywords]
start_time = "DATE-BEG"
line_period = "LINEPER"
filter = "FILTER"
shutter = "SHUTTER"
strip = "STRIP"
segment = "SEGMENT"
chip = "CHIP"
[reference]
path = "reference.fits"
[reference.columns]
ra = "ra"
dec = "dec"
[reference.magnitudes]
r = "mag_r"
[products]
calibrated_strips = true
"""


def _write_segment(path: Path, cards: dict[str, Any], lines: int, width: int) -> None:
    """A raw file that ends where its header says, and is nothing but its header on disk."""
    header = fits.Header()
    header["SIMPLE"], header["BITPIX"], header["NAXIS"] = True, 16, 2
    header["NAXIS1"], header["NAXIS2"] = width, lines
    header["BSCALE"], header["BZERO"] = 1, 32768
    for key, value in cards.items():
        header[key] = value
    header["DATASUM"] = "0"  # of pixels that are all zero
    text = header.tostring().encode("ascii")
    with path.open("wb") as stream:
        stream.write(text)
        stream.truncate(len(text) + -(-2 * lines * width // _BLOCK) * _BLOCK)


def make_season(
    folder: Path, nights: int, lines: int, *, columns: int = COLUMNS, segment: int = SEGMENT
) -> int:
    """Write a season of raw files without pixels, a catalogue and a configuration.

    Parameters
    ----------
    folder : Path
        Gets ``raw/``, ``reference.fits`` and ``observatory.toml``; must not exist.
    nights : int
        Nights, each of one strip with the shutter closed and one with it open.
    lines : int
        Lines of an open strip.
    columns : int
        Of the chip, even.
    segment : int
        Lines of a file.

    Returns
    -------
    int
        Raw files.
    """
    (folder / "raw").mkdir(parents=True)
    width, half = columns + 2 * _OVERSCAN, columns // 2
    amplifiers = [
        f'[[camera.amplifier]]\nname = "{name}"\ndata = [{a}, {a + half}]\n'
        f"overscan = [{b}, {b + _OVERSCAN}]\nchip = [{a}, {a + half}]\n"
        "gain = 1.8\nread_noise = 6.0\nsaturation = 54000.0"
        for name, a, b in (("A", 0, columns), ("B", half, columns + _OVERSCAN))
    ]
    text = _CONFIGURATION.format(
        latitude=_LATITUDE, scale=_SCALE, columns=columns, amplifiers="\n".join(amplifiers)
    )
    (folder / "observatory.toml").write_text(text)
    _write_reference(folder / "reference.fits")
    count = 0
    for night in range(nights):
        dusk = _FIRST + timedelta(days=night)
        date = f"{dusk - timedelta(days=1):%Y-%m-%d}"
        before = timedelta(seconds=DARK_LINES * PERIOD + 60.0)
        for strip, shutter, begin, n_lines in (
            ("d01", "CLOSED", dusk - before, DARK_LINES),
            ("s01", "OPEN", dusk, lines),
        ):
            for number, low in enumerate(range(0, n_lines, segment), start=1):
                then = begin + timedelta(seconds=low * PERIOD)
                cards = {
                    "DATE-BEG": then.isoformat(timespec="microseconds").removesuffix("+00:00"),
                    "TIMESYS": "UTC", "LINEPER": PERIOD, "FILTER": "r", "SHUTTER": shutter,
                    "STRIP": f"{date}_{strip}", "SEGMENT": number, "CHIP": "1",
                }  # fmt: skip
                path = folder / "raw" / f"{date}_{strip}_{number:04d}.fits"
                _write_segment(path, cards, min(segment, n_lines - low), width)
                count += 1
    return count


def _write_reference(path: Path) -> None:
    """A few stars in the zone that passes: a plan reads the catalogue and uses none of it."""
    rng = np.random.default_rng(7)
    n = 500
    columns = {
        "ra": rng.uniform(0.0, 360.0, n),
        "dec": _LATITUDE + rng.uniform(-0.25, 0.25, n),
        "mag_r": rng.uniform(12.0, 18.0, n),
    }
    table = fits.BinTableHDU.from_columns(
        [fits.Column(name=k, array=v, format="D") for k, v in columns.items()]
    )
    table.writeto(path)


def plan_season(folder: Path) -> dict[str, Any]:
    """Run the dry run as a user does; what it printed, its times and its memory."""
    log = folder / "log.jsonl"
    command = [
        sys.executable, "-m", "pipeline.cli", "--log", str(log), "reduce",
        str(folder / "observatory.toml"), str(folder / "raw"), str(folder / "products"),
        "--dry-run",
    ]  # fmt: skip
    begin, began = time.perf_counter(), time.time()
    with (
        (folder / "plan.txt").open("w") as stream,
        subprocess.Popen(command, stdout=stream, stderr=subprocess.STDOUT) as process,
    ):
        memory = PeakMemory(process)
        status = process.wait()
        seconds = time.perf_counter() - begin
        memory.finish()
    text = (folder / "plan.txt").read_text()
    if status != 0:
        sys.exit(f"the dry run ended with status {status}:\n{text}")
    rows = [json.loads(line) for line in log.read_text().splitlines()]
    ended = [datetime.fromisoformat(r["time"]).timestamp() for r in rows if r.get("step") == "plan"]
    match = re.search(r"^(\d+) tasks to be done", text, re.MULTILINE)
    if match is None:
        sys.exit(f"the dry run named no number of tasks:\n{text}")
    return {
        "text": text, "tasks": int(match[1]), "seconds": seconds, "memory": memory.parent,
        "before": ended[0] - began, "nights": np.diff(ended).tolist(),
    }  # fmt: skip


def hand_in(nights: int, tasks: int) -> dict[str, Any]:
    """Give workers nights of tasks that do nothing: seconds, pauses, tasks under way."""
    asked, ended, most = 0, 0, 0
    times: list[float] = []
    seconds: list[float] = []

    def arguments() -> tuple[float]:
        nonlocal asked, most
        asked += 1
        most = max(most, asked - ended)
        return (2.0,)

    def take(outcome: Outcome) -> None:
        nonlocal ended
        if not outcome.ok:
            sys.exit(f"a task that does nothing failed: {outcome.error}")
        ended += 1
        times.append(time.perf_counter())

    with open_runner(workers=WORKERS) as runner:
        runner.run(math.sqrt, [Task("first", (2.0,))], label="start")  # workers are up
        for _ in range(nights):
            times.append(time.perf_counter())
            begin = times[-1]
            work = [Task(f"t{i}", arguments) for i in range(tasks)]
            runner.run(math.sqrt, work, label="nothing", on_outcome=take)
            seconds.append(time.perf_counter() - begin)
    if ended != nights * tasks:
        sys.exit(f"{nights * tasks} tasks were handed in, {ended} came back")
    return {
        "handed_in": ended, "hand_in_nights": seconds, "under_way": most,
        "pause": float(np.diff(times).max()),
    }  # fmt: skip


def judge(found: dict[str, Any]) -> list[tuple[str, str, str, bool | None]]:
    """Figures: name, value, target, and whether it is met; None where there is no target."""
    nights = found["nights"]
    tenth = max(1, round(len(nights) / 10))
    usual = median(nights)
    uneven = max(nights) / usual
    growth = median(nights[-tenth:]) / median(nights[:tenth])
    memory = found["memory"] / 2**30
    plain = [
        ("nights", f"{found['n_nights']}"),
        ("lines of a night, shutter open", f"{found['lines']}"),
        ("strips, those with the shutter closed among them", f"{2 * found['n_nights']}"),
        ("raw files", f"{found['files']}"),
        ("tasks planned", f"{found['tasks']}"),
        ("start, headers of all files, first night", f"{found['before']:.1f} s"),
        ("one night, median", f"{usual:.3f} s"),
        ("one night, longest", f"{max(nights):.3f} s"),
    ]
    rows: list[tuple[str, str, str, bool | None]] = [(*pair, "", None) for pair in plain]
    rows += [
        ("longest night over the median", f"{uneven:.2f}", f"<= {MOST_UNEVEN:g}",
         uneven <= MOST_UNEVEN),
        (f"night in the last {tenth} over the first {tenth}", f"{growth:.2f}",
         f"<= {MOST_GROWTH:g}", growth <= MOST_GROWTH),
        ("whole command", f"{found['seconds']:.1f} s", f"<= {MOST_SECONDS:g}",
         found["seconds"] <= MOST_SECONDS),
        ("peak memory", f"{memory:.2f} GiB", f"<= {MOST_MEMORY:g}", memory <= MOST_MEMORY),
    ]  # fmt: skip
    most = AHEAD * WORKERS
    rows += [
        ("tasks handed to two workers, which do nothing", f"{found['handed_in']}", "", None),
        ("a night of them, median", f"{median(found['hand_in_nights']):.2f} s", "", None),
        ("under way at a time, at most", f"{found['under_way']}", f"<= {most}",
         found["under_way"] <= most),
        ("longest time between two outcomes", f"{found['pause']:.3f} s", f"<= {MOST_PAUSE:g}",
         found["pause"] <= MOST_PAUSE),
    ]  # fmt: skip
    return rows


def show(rows: list[tuple[str, str, str, bool | None]]) -> None:
    """Print the table."""
    console = Console() if sys.stdout.isatty() else Console(width=120)
    table = Table(title=f"plan of a season of {COLUMNS} columns, {platform.machine()}")
    for name in ("figure", "value", "target", "verdict"):
        table.add_column(name, justify="right" if name == "value" else "left")
    for figure, value, target, met in rows:
        verdict = "" if met is None else "ok" if met else "falls short"
        table.add_row(figure, value, target, verdict)
    console.print(table)


def main(arguments: list[str] | None = None) -> int:
    """Command line; status 1 where a figure falls short."""
    parser = argparse.ArgumentParser(
        prog="tests.benchmarks.season_plan", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--nights", type=int, default=150, help="3 or more")
    parser.add_argument("--lines", type=int, default=1_100_000, help="of a night's open strip")
    parser.add_argument("--json", type=Path, help="file for the numbers")
    parser.add_argument("--keep", type=Path, help="folder to make and keep; else a temporary one")
    asked = parser.parse_args(arguments)
    if asked.nights < 3:
        parser.error("--nights: 3 or more, so that nights can be compared")
    with tempfile.TemporaryDirectory(prefix="driftloom-plan-") as temporary:
        folder = asked.keep or Path(temporary) / "season"
        files = make_season(folder, asked.nights, asked.lines)
        print(f"{files} raw files made", file=sys.stderr, flush=True)
        found = plan_season(folder)
    found |= hand_in(min(asked.nights, SOME_NIGHTS), found["tasks"] // asked.nights)
    found |= {"n_nights": asked.nights, "lines": asked.lines, "files": files}
    rows = judge(found)
    print(found.pop("text"))
    show(rows)
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=1) + "\n")
    return 0 if all(met is not False for *_, met in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
