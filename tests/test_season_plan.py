"""The plan of a season: counted by arithmetic, in proportion to nights, from headers alone."""

import json
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from pipeline.config import load_config
from pipeline.io.provenance import checksum_raw
from pipeline.io.raw import find_strips, read_lines
from pipeline.io.tally import keep_tally
from pipeline.reduction import plan_reduction

pytestmark = pytest.mark.xdist_group("season plan")  # made and planned once

NIGHTS, LINES, DARK_LINES, BLOCK = 6, 70_000, 4096, 2048
RAW_LINE = 2 * (4096 + 2 * 16)  # bytes


def expected(nights):
    """Tasks by step: a strip with the shutter closed and one with it open each night."""
    blocks, dark = -(-LINES // BLOCK), DARK_LINES // BLOCK
    night = {
        "summary": blocks + dark, "column summary": 2, "column vectors": 1, "first geometry": 1,
        "search": blocks, "point spread": 1, "trails": 1, "measure": blocks, "catalogue": 1,
        "calibrated strip": blocks, "tiles": 0,
    }  # fmt: skip
    return {step: nights * count for step, count in night.items()} | {"deep catalogue": 1}


def count(summary):
    """Tasks by step, as planned."""
    counts = {}
    for row in summary.rows:
        assert row.n_stands == 0
        counts[row.step] = counts.get(row.step, 0) + row.n_todo
    return counts


def listing(folder):
    """Everything in a folder, with its size and time."""
    return {p: (p.stat().st_size, p.stat().st_mtime_ns) for p in sorted(folder.rglob("*"))}


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """A season of raw files without pixels, planned by the command: the folder, what it found."""
    place = tmp_path_factory.mktemp("plan")
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.season_plan", "--nights", str(NIGHTS),
         "--lines", str(LINES), "--keep", place / "season", "--json", place / "found.json"],
        cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip
    # Status 1 says that a night took long: times decide nothing here.
    assert done.returncode in {0, 1}, done.stderr
    assert (place / "found.json").exists(), done.stderr
    return place / "season", json.loads((place / "found.json").read_text()), done.stdout


@pytest.mark.parametrize("nights", [NIGHTS // 2, NIGHTS])
def test_every_task_of_every_night_is_named_and_nothing_written(season, nights):
    folder, _, _ = season
    before = listing(folder)
    config = load_config(folder / "observatory.toml")
    dates = sorted({s.night for s in find_strips(folder / "raw", config).strips})
    assert len(dates) == NIGHTS
    summary = plan_reduction(config, folder / "raw", folder / "products", nights=dates[:nights])
    assert count(summary) == expected(nights)
    assert (summary.problems, summary.failures) == ([], [])
    assert listing(folder) == before


def test_no_raw_pixel_is_read(season):
    """Neither by our own count, nor by the system's of what this process reads."""
    folder, _, _ = season
    config = load_config(folder / "observatory.toml")
    inventory = find_strips(folder / "raw", config)
    process, block = psutil.Process(), BLOCK * RAW_LINE

    def measure(work):
        begin = process.io_counters().read_chars
        with keep_tally() as tally:
            work()
        return tally.raw_bytes, process.io_counters().read_chars - begin

    ours, all_reads = measure(lambda: plan_reduction(config, folder / "raw", folder / "products"))
    assert ours == 0
    assert all_reads < block
    # Each would have seen a single block: lines are mapped, whole files are read through.
    dark, strip = inventory.strips[:2]
    assert measure(lambda: read_lines(strip, config.raw, 0, BLOCK))[0] == block
    path = dark.segments[0].path
    assert measure(lambda: checksum_raw(path, hdu=0, full=True))[1] >= block


def test_the_command_says_so_and_its_log_names_every_night(season):
    folder, found, text = season
    total = sum(expected(NIGHTS).values())
    assert found["tasks"] == total
    assert f"{total} tasks to be done, 0 stand." in text
    assert "tiles" in text
    assert "upstream: how many shows then" in text
    assert not (folder / "products").exists()
    rows = [json.loads(line) for line in (folder / "log.jsonl").read_text().splitlines()]
    rows = [row for row in rows if row.get("step") == "plan"]
    night = sum(expected(1).values()) - 1
    assert [row["tasks"] for row in rows] == [night * k for k in range(1, NIGHTS + 1)]
    assert [row["night"] for row in rows] == sorted({row["night"] for row in rows})
    assert len(found["nights"]) == NIGHTS - 1
    assert 0 < found["memory"] < 1.5 * 2**30
    assert found["handed_in"] == 3 * (total // NIGHTS)
    assert 2 <= found["under_way"] <= 6  # three a worker, whatever the number of tasks
