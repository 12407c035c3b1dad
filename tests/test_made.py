"""Outcomes of a run: read where they are needed, by the tasks that need them."""

import os

import pytest

from pipeline.attempt import Later, Task
from pipeline.io.store import Store
from pipeline.made import Made, StripMade


def total(offset, values):
    return offset + sum(values)


def double(values):
    return [2 * v for v in values]


def keep(store, slot, value):
    entry = store.keep(slot, key="k", components={}, value=value, facts={})
    return Made(entry.key, {}, entry.load, entry.path)


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path)


def test_a_task_reads_what_blocks_gave_from_their_files(store, runner):
    # One has no file: it was made of damaged lines, and travels itself.
    blocks = (keep(store, "a", 1), Made("lost", {}, lambda: 20), keep(store, "b", 300))
    strip = StripMade("key", blocks, 0)
    work = [Task("sum", lambda: (5, strip.later(double)))]
    assert runner.run(total, work, label="sum")["sum"].value == 5 + 2 + 40 + 600


def test_a_task_reads_one_outcome_as_it_was_kept(store, runner):
    made = keep(store, "a", [3, 4])
    made.hold([9])
    work = [Task("one", (made.later(),))]
    assert runner.run(list, work, label="one")["one"].value == [3, 4]
    assert made.value == [9]
    made.release()
    assert made.value == [3, 4]


def test_a_damaged_file_fails_its_task_alone_and_is_named(store, runner):
    good, bad = keep(store, "good", [1]), keep(store, "bad", [2])
    path = bad.source
    path.write_bytes(path.read_bytes()[:-1])
    work = [Task("good", (good.later(),)), Task("bad", (bad.later(),))]
    outcomes = runner.run(list, work, label="read")
    assert outcomes["good"].value == [1]
    assert outcomes["bad"].error == f"{path}: damaged; remove it and start again"


def test_the_argument_is_made_where_the_task_runs(workers):
    made = Later(process_of, (1,))
    outcome = workers.run(str, [Task("where", (made,))], label="where")["where"]
    assert int(outcome.value) != os.getpid()


def process_of(_):
    return os.getpid()


def test_what_is_only_planned_has_no_value(store):
    assert Made("key", {}).planned
    assert not keep(store, "a", 1).planned
    with pytest.raises(AssertionError):
        _ = Made("key", {}).value
