"""A reduction that was broken off, moved, or met bad files: what stands stands, nothing else."""

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.io.ledger import read_ledger

pytestmark = pytest.mark.xdist_group("reduction")
BAD = "2025-03-02"  # a night of the small observatory
BLOCKS = {"summary", "search", "measure"}


@pytest.fixture
def nights(small, tmp_path):
    """A copy of the small observatory with the times of its files, to be spoilt."""
    shutil.copytree(small / "raw", tmp_path / "raw")
    for name in ("observatory.toml", "reference.fits"):
        shutil.copy2(small / name, tmp_path)
    return tmp_path


@pytest.fixture
def products(reduced, nights):
    """A copy of the reduced products beside them."""
    shutil.copytree(reduced[0], nights / "products")
    return nights / "products"


def done(summary):
    return {r.step for r in summary.rows if r.n_todo}


@pytest.mark.parametrize("after", ["search.*", "tiles.*"])
def test_a_killed_reduction_goes_on_where_it_was(
    nights, reduced, run_reduction, assert_same_products, after
):
    """SIGKILL while strips are searched, and while tiles are filled."""
    products = nights / "products"
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "reduce", nights / "observatory.toml",
         nights / "raw", products, "--workers", "1"],
        cwd=Path(__file__).parents[1], stdout=subprocess.DEVNULL,
    )  # fmt: skip
    begin = time.monotonic()
    while not list((products / "work").rglob(f"{after}.entry")):
        assert process.poll() is None, "it ended before it could be killed"
        assert time.monotonic() - begin < 240
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert not (products / "report").exists()
    n_before = len(read_ledger(products / "ledger.jsonl"))
    summary = run_reduction(nights, products)
    assert 0 < summary.raw_bytes < reduced[1].raw_bytes
    assert sum(r.n_stands for r in summary.rows) > 3
    assert_same_products(products, reduced[0])
    rows = read_ledger(products / "ledger.jsonl")[n_before:]
    assert {(r["state"], r["reason"]) for r in rows if r["step"] == "column vectors"} >= {
        ("skipped", "stands")
    }
    assert not list(products.rglob("*.partial"))
    assert not (products / "run.lock").exists()


def test_products_and_raw_files_may_move(nights, products, run_reduction):
    """No path is part of a recipe; what stands is used with the files where they are now."""
    products.rename(nights / "elsewhere")
    (nights / "raw").rename(nights / "archive")
    raw, products = nights / "archive", nights / "elsewhere"
    assert done(run_reduction(nights, products, raw=raw)) == set()
    # A later step reads raw lines through what an earlier one left.
    summary = run_reduction(nights, products, raw=raw, photometry__total_factor=2.0)
    assert not summary.failures
    assert done(summary) == {"measure", "catalogue", "tiles", "stack", "deep catalogue"}
    assert summary.raw_bytes > 0


def test_the_size_of_blocks_makes_nothing_old_and_leaves_nothing_behind(
    nights, products, run_reduction
):
    before = sorted(p.name for p in (products / "work").rglob("*.entry"))
    summary = run_reduction(nights, products, detection__block_lines=512)
    assert done(summary) == set()
    assert summary.raw_bytes == 0
    # Done anew they are cut anew, and the old cut does not stay beside the new.
    summary = run_reduction(nights, products, detection__block_lines=512, detection__threshold=6.0)
    after = sorted(p.name for p in (products / "work").rglob("*.entry"))
    assert [n for n in before if n.startswith("summary.")] == [
        n for n in after if n.startswith("summary.")
    ]
    for step in ("search", "measure"):
        widths = {
            int(n.split(".")[1].partition("-")[2]) - int(n.split(".")[1].partition("-")[0])
            for n in after
            if n.startswith(f"{step}.")
        }
        assert max(widths) == 512


def test_tiles_of_another_grid_replace_the_old(nights, products, run_reduction):
    old = {p.name for p in (products / "tiles").iterdir()}
    old_stacks = {p.name for p in (products / "stacks").iterdir()}
    summary = run_reduction(nights, products, tiles__size=384)
    assert done(summary) == {"tiles", "stack", "deep catalogue"}
    files = {p.parent.name for p in (products / "tiles").rglob("*.fits")}
    assert files
    assert not files & old
    stacks = {p.name for p in (products / "stacks").iterdir()}
    assert stacks
    assert not stacks & old_stacks
    slots = list((products / "work").rglob("tiles.*.entry"))
    assert sum(r.n_todo for r in summary.rows if r.step == "tiles") == len(slots)


def test_what_could_not_be_read_is_read_again(nights, reduced, run_reduction, assert_same_products):
    """A file cut short during a run: nothing made without its lines is taken for whole."""
    from pipeline.runners import InlineRunner

    path = sorted((nights / "raw").glob(f"{BAD}_s01_*.fits"))[1]
    away = path.with_suffix(".away")

    class Failing(InlineRunner):
        """The file is whole when strips are found, and half of it gone when lines are read."""

        def run(self, *arguments, **keywords):
            if not away.exists():
                path.rename(away)
                path.write_bytes(away.read_bytes()[: away.stat().st_size // 2])
            return super().run(*arguments, **keywords)

    products = nights / "products"
    summary = run_reduction(nights, products, runner=Failing())
    assert len(summary.failures) == 1
    assert "lines cannot be read" in summary.failures[0]
    page = products / "report" / "index.html"
    assert "lines cannot be read" in page.read_text()
    away.rename(path)
    again = run_reduction(nights, products)
    assert not again.failures
    assert "lines cannot be read" not in page.read_text()
    reasons = {t for r in again.rows if r.step == "summary" for t in r.reasons}
    assert any("raw lines that could not be read" in t for t in reasons)
    assert_same_products(products, reduced[0])


def test_a_failed_step_is_tried_again_and_leaves_no_old_catalogue(
    nights, products, run_reduction, monkeypatch
):
    from pipeline import nightly

    def fail(*_, **__):
        msg = "no memory"
        raise MemoryError(msg)

    monkeypatch.setattr(nightly, "finish_strip", fail)
    summary = run_reduction(nights, products, photometry__zero_point_knot=1.0)
    assert len([t for t in summary.failures if "catalogue: MemoryError: no memory" in t]) == 2
    assert not list(products.glob("strips/*/*/catalogue.*"))
    assert not list(products.glob("tiles/*/*.fits"))
    monkeypatch.undo()
    again = run_reduction(nights, products, photometry__zero_point_knot=1.0)
    assert not again.failures
    assert again.raw_bytes > 0
    assert done(again) == {"catalogue", "tiles", "stack", "deep catalogue"}
    (reason,) = {t for r in again.rows if r.step == "catalogue" for t in r.reasons}
    assert reason.startswith("failed last time: MemoryError: no memory")


def test_other_pixels_under_an_old_datasum_are_seen(nights, products, run_reduction):
    """Headers and size as they were: only the time of modification tells, or the whole file."""
    path = min((nights / "raw").glob(f"{BAD}_s01_*.fits"))
    times = path.stat()
    data = bytearray(path.read_bytes())
    at = len(data) // 2
    data[at : at + 2] = bytes([data[at] ^ 1, data[at + 1]])
    path.write_bytes(bytes(data))
    assert path.stat().st_size == times.st_size
    summary = run_reduction(nights, products, nights=[BAD])
    todo = {r.where for r in summary.rows if r.step == "summary" and r.n_todo}
    assert todo == {f"{BAD}_s01"}
    assert "column vectors" in done(summary)
