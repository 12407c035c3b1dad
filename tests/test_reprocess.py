"""Resuming and reprocessing: exactly what a change touches is done again, and nothing is lost."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline import exchange, recipes
from pipeline.config import load_config
from pipeline.errors import ProductError
from pipeline.io.tables import read_table
from pipeline.reprocess import plan_reprocessing, reprocess_folder
from pipeline.runners import InlineRunner

pytestmark = pytest.mark.xdist_group("reduction")

BEFORE_SEARCH = {"summary", "column summary", "column vectors", "first geometry"}
AFTER = {"point spread", "trails", "measure", "catalogue", "tiles", "stack", "deep catalogue"}


def configured(small, **changes):
    config = load_config(small / "observatory.toml")
    for key, value in changes.items():
        config = config.with_value(key.replace("__", "."), value)
    return config


def tables(products):
    paths = [*products.glob("strips/*/*/catalogue.parquet"), *products.glob("deep/*.parquet")]
    return {str(p.relative_to(products)): read_table(p) for p in sorted(paths)}


def assert_same(one, other):
    assert one.keys() == other.keys()
    assert one
    for name, table in one.items():
        for column, values in table.items():
            np.testing.assert_array_equal(values, other[name][column], err_msg=f"{name} {column}")


def contents(folder):
    """Every file and its bytes' number and time."""
    return {
        str(p.relative_to(folder)): (p.stat().st_size, p.stat().st_mtime_ns)
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def steps(rows):
    """Steps that are to be done, and those that wholly stand."""
    todo = {r.step for r in rows if r.n_todo or any("upstream" in x for x in r.reasons)}
    return todo, {r.step for r in rows if r.n_stands} - todo


@pytest.fixture
def products(reduced, tmp_path):
    """A copy of the reduced products, to be changed."""
    shutil.copytree(reduced[0], tmp_path / "products")
    return tmp_path / "products"


def test_the_same_again_does_nothing_and_reads_no_raw_pixel(
    small, reduced, products, run_reduction
):
    before = tables(products)
    summary = run_reduction(small, products)
    assert reduced[1].raw_bytes > 0
    assert summary.raw_bytes == 0
    assert {r.step for r in summary.rows if r.n_todo} == set()
    assert [s.n_sources for s in summary.strips] == [s.n_sources for s in reduced[1].strips]
    assert_same(tables(products), before)


def test_a_plan_names_what_changed_and_writes_nothing(small, products):
    before = contents(products)
    rows = plan_reprocessing(
        configured(small, detection__threshold=7.0), small / "raw", products
    )  # fmt: skip
    todo, stands = steps(rows)
    assert stands >= BEFORE_SEARCH
    assert todo >= AFTER - {"tiles", "stack", "deep catalogue"}
    (reason,) = {t for r in rows if r.step == "search" for t in r.reasons}
    assert reason == "detection.threshold: 5.0 -> 7.0"
    assert all("upstream" in " ".join(r.reasons) for r in rows if r.step == "point spread")
    assert contents(products) == before


def test_a_change_of_the_stacks_touches_stacks_alone(small, products):
    config = configured(small, stack__clip=6.0)
    old = tables(products)
    done = reprocess_folder(config, small / "raw", products, runner=InlineRunner())
    assert done.exchanged
    assert done.summary.raw_bytes == 0
    todo, stands = steps(done.summary.rows)
    assert todo == {"stack", "deep catalogue"}
    assert stands >= (BEFORE_SEARCH | AFTER) - todo
    assert_same(tables(products / "previous"), old)
    assert not (products / ".next").exists()
    # strips were taken over as they were
    name = next(n for n in old if n.startswith("strips"))
    assert (products / name).samefile(products / "previous" / name)
    # and their pictures are not drawn again
    drawn = [p.relative_to(products) for p in products.glob("report/2*/*_s01-*.png")]
    assert len(drawn) >= 12
    assert all((products / n).samefile(products / "previous" / n) for n in drawn)
    # old and new are compared: strips as they were, stacks not
    page = (products / "comparison" / "index.html").read_text()
    assert str(products / "previous") in page
    assert ".next" not in page  # the products are there no more
    changes = read_table(products / "comparison" / "strips.parquet")
    assert len(changes["strip"]) == 2
    assert not any("not compared" in text for text in done.summary.problems)
    # and the next run finds all of it standing
    again = plan_reprocessing(config, small / "raw", products)
    assert {r.step for r in again if r.n_todo} == set()


KILLED = """
import sys
from pathlib import Path
from pipeline.config import load_config
from pipeline.runners import InlineRunner
from pipeline.reprocess import reprocess_folder
config = load_config(Path(sys.argv[1])).with_value("detection.threshold", 7.0)
reprocess_folder(config, Path(sys.argv[2]), Path(sys.argv[3]), runner=InlineRunner())
"""


def test_a_killed_reprocessing_ends_as_one_that_was_not(small, products, run_reduction, tmp_path):
    """SIGKILL while strips are measured; the old products stand meanwhile."""
    old = tables(products)
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, small / "observatory.toml", small / "raw", products]
    )
    begin = time.monotonic()
    while not list((products / ".next" / "work").rglob("measure.*.entry")):
        assert process.poll() is None, "it ended before it could be killed"
        assert time.monotonic() - begin < 240
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert_same(tables(products), old)
    config = configured(small, detection__threshold=7.0)
    (products / "run.lock").unlink(missing_ok=True)
    rest = reprocess_folder(config, small / "raw", products, runner=InlineRunner())
    assert rest.exchanged
    search = [r for r in rest.summary.rows if r.step == "search"]
    assert sum(r.n_stands for r in search) > 0, "what was done before the kill is not done again"
    fresh = tmp_path / "fresh"
    run_reduction(small, fresh, detection__threshold=7.0)
    assert_same(tables(products), tables(fresh))
    for path in sorted(fresh.glob("stacks/*.fits")):
        assert (products / "stacks" / path.name).exists()


def test_an_exchange_that_is_broken_off_is_taken_up_again(small, products, monkeypatch):
    config = configured(small, stack__clip=6.0)
    real, calls, old = Path.rename, [], tables(products)

    def rename(self, target):
        calls.append(self)
        if len(calls) == 4:
            raise KeyboardInterrupt
        return real(self, target)

    monkeypatch.setattr(exchange.Path, "rename", rename)
    with pytest.raises(KeyboardInterrupt):
        reprocess_folder(config, small / "raw", products, runner=InlineRunner())
    monkeypatch.undo()
    done = reprocess_folder(config, small / "raw", products, runner=InlineRunner())
    assert done.exchanged
    assert done.summary.n_todo == 0
    assert tables(products).keys() == old.keys()
    # What was there before the change is still there, not what the change made.
    assert_same(tables(products / "previous"), old)
    once_more = reprocess_folder(config, small / "raw", products, runner=InlineRunner())
    assert not once_more.exchanged
    assert_same(tables(products / "previous"), old)


def test_damage_is_found_and_costs_only_itself(small, products):
    entry = min((products / "work").rglob("measure.*.entry"))
    entry.write_bytes(entry.read_bytes()[:-20])
    tile = min(products.glob("tiles/*/*.fits"))
    tile.unlink()
    rows = plan_reprocessing(configured(small), small / "raw", products)
    todo = {r.step: r for r in rows if r.n_todo}
    assert set(todo) == {"measure", "tiles"}
    assert todo["measure"].n_todo == 1
    assert todo["tiles"].n_todo == 1
    assert "its entry or a product is damaged or missing" in todo["tiles"].reasons


def test_another_version_of_the_code_leaves_nothing_standing(small, products, monkeypatch):
    monkeypatch.setattr(recipes, "digest_code", lambda: "0.0 other")
    rows = plan_reprocessing(configured(small), small / "raw", products)
    assert not any(r.n_stands for r in rows)
    assert any(t.startswith("code: ") for r in rows for t in r.reasons)


def test_another_raw_file_touches_its_strip_alone(small, products, tmp_path):
    raw = tmp_path / "raw"
    shutil.copytree(small / "raw", raw)
    rows = plan_reprocessing(configured(small), raw, products)
    assert {r.step for r in rows if r.n_todo} == set()
    chosen = next(r for r in rows if r.step == "catalogue")
    path = next(p for p in sorted(raw.iterdir()) if chosen.where in p.name)
    os.utime(path, ns=(1, 1))
    rows = plan_reprocessing(configured(small), raw, products)
    changed = {r.where for r in rows if r.step == "summary" and r.n_todo}
    assert changed == {chosen.where}
    assert {f"raw {path.name}: changed"} == {
        t for r in rows if r.step == "summary" for t in r.reasons
    }


def test_without_products_there_is_nothing_to_reprocess(small, tmp_path):
    with pytest.raises(ProductError, match=r"holds no products to begin with; run `driftloom red"):
        plan_reprocessing(configured(small), small / "raw", tmp_path)
