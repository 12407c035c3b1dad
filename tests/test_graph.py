"""Runners: the same outcomes here and on workers, and what happens to tasks that go wrong."""

import math
import os
import signal
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar

import dask
import numpy as np
import pytest
from distributed import LocalCluster

from pipeline import graph
from pipeline.attempt import Task
from pipeline.batch import QUIET, job_options
from pipeline.config import ClusterConfig
from pipeline.errors import ConfigError, RawError, Stopped
from pipeline.graph import DaskRunner, open_runner
from pipeline.runners import InlineRunner
from pipeline.stopping import ask_to_stop, forget_stop

pytestmark = pytest.mark.xdist_group("graph")


def tasks(*values):
    return [Task(f"t{i}", (v,)) for i, v in enumerate(values)]


def divide(a, b):
    return a / b


def complain(name):
    msg = f"{name}: found nothing; add something"
    raise RawError(msg)


def scale(factor, offset, value):
    return factor * value + offset


def die_once(marker):
    """Kill the process that runs it, the first time."""
    path = Path(marker)
    if not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done at last"


def die_once_with(common, marker):
    """As `die_once`, with an argument that all tasks share."""
    return sum(common), die_once(marker)


def die_if_told(told):
    if told:
        os.kill(os.getpid(), signal.SIGKILL)
    return told


def work_a_while(place):
    Path(f"{place}.begun").touch()
    time.sleep(0.3)
    Path(f"{place}.ended").touch()


class Counter:
    """Progress that counts."""

    def __init__(self):
        self.calls = []

    def start(self, label, total):
        self.calls.append((label, total))

    def advance(self):
        self.calls.append("step")

    def finish(self):
        self.calls.append("end")


def test_values_come_back_under_their_keys(runner):
    outcomes = runner.run(math.sqrt, tasks(4.0, 9.0, 16.0), label="roots")
    assert {k: o.value for k, o in outcomes.items()} == {"t0": 2.0, "t1": 3.0, "t2": 4.0}
    assert all(o.ok and o.key == k and o.seconds >= 0 for k, o in outcomes.items())


def test_an_exception_becomes_text_and_stops_no_other_task(runner):
    work = [Task("good", (6, 3)), Task("bad", (1, 0))]
    outcomes = runner.run(divide, work, label="quotients")
    assert outcomes["good"].value == 2.0
    assert not outcomes["bad"].ok
    assert outcomes["bad"].value is None
    # The reader of a report sees what and where, without a trace.
    assert outcomes["bad"].error.startswith("ZeroDivisionError: division by zero (test_graph.py:")
    assert "\n" not in outcomes["bad"].error


def test_an_error_that_users_meet_keeps_its_own_words(runner):
    outcome = runner.run(complain, tasks("a.fits"), label="read")["t0"]
    assert outcome.error == "a.fits: found nothing; add something"


def test_common_arguments_go_before_those_of_the_task(runner):
    outcomes = runner.run(scale, tasks(1, 2), label="lines", common=(10, 3))
    assert [outcomes[k].value for k in ("t0", "t1")] == [13, 23]


def test_no_task_is_no_trouble(runner):
    assert runner.run(math.sqrt, [], label="nothing", common=(1,)) == {}


def test_tasks_with_equal_arguments_run_each(runner):
    assert len(runner.run(math.sqrt, tasks(4.0, 4.0, 4.0), label="same")) == 3


def test_large_arguments_travel_without_complaint(workers):
    """Tens of megabytes of cut-out stars go to one task."""
    outcome = workers.run(len, [Task("big", (np.zeros(3_000_000),))], label="big")["big"]
    assert outcome.value == 3_000_000


def test_progress_sees_every_task():
    counter = Counter()
    InlineRunner(counter).run(divide, [Task("a", (1, 1)), Task("b", (1, 0))], label="work")
    assert counter.calls == [("work", 2), "step", "step", "end"]


def test_one_worker_is_this_process():
    with open_runner(workers=1) as runner:
        outcome = runner.run(os.getpid, [Task("pid", ())], label="where")["pid"]
    assert outcome.value == os.getpid()


def test_workers_are_other_processes(workers):
    assert workers.run(os.getpid, [Task("pid", ())], label="where")["pid"].value != os.getpid()


def test_a_task_whose_worker_is_killed_runs_again(workers, tmp_path):
    work = [Task("victim", (str(tmp_path / "mark"),))]
    outcome = workers.run(die_once_with, work, label="again", common=((1, 2),))["victim"]
    assert outcome.error is None
    assert outcome.value == (3, "done at last")


def test_a_task_that_kills_every_worker_is_reported_and_the_others_end():
    with open_runner(workers=2) as runner:
        work = [Task(f"t{i}", (i == 2,)) for i in range(6)]
        outcomes = runner.run(die_if_told, work, label="poison")
        assert sorted(outcomes) == [t.key for t in work]
        assert outcomes["t2"].error.startswith("worker lost: ")
        assert [o.value for k, o in sorted(outcomes.items()) if k != "t2"] == [False] * 5
        # The runner is as good as new.
        assert runner.run(math.sqrt, tasks(4.0), label="after")["t0"].value == 2.0


def test_workers_that_die_take_no_common_argument_along(tmp_path):
    """Every worker dies once while it holds them; all tasks end well."""
    with open_runner(workers=2) as runner:
        work = [Task(f"t{i}", (str(tmp_path / f"mark{i}"),)) for i in range(4)]
        outcomes = runner.run(die_once_with, work, label="again", common=(tuple(range(1000)),))
        assert [o.error for o in outcomes.values()] == [None] * 4
        assert {o.value for o in outcomes.values()} == {(499500, "done at last")}


def test_a_scheduler_that_runs_elsewhere_is_used():
    with (
        LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address="127.0.0.1:0"
        ) as cluster,
        open_runner(workers=1, scheduler=cluster.scheduler_address) as runner,
    ):
        assert isinstance(runner, DaskRunner)
        assert runner.run(math.sqrt, tasks(4.0), label="root")["t0"].value == 2.0


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "somewhere"])
def test_an_address_where_nobody_answers_is_a_mistake(address, monkeypatch):
    monkeypatch.setattr(graph, "_PATIENCE", "1s")
    with (
        pytest.raises(ConfigError, match=r"compute\.scheduler: no scheduler answers at"),
        open_runner(workers=1, scheduler=address),
    ):
        pass


@pytest.mark.parametrize("kind", ["inline", "workers"])
def test_arguments_are_asked_for_when_the_turn_of_a_task_comes(kind, request):
    """Those of a long night are never in memory together."""
    runner = InlineRunner() if kind == "inline" else request.getfixturevalue("workers")
    asked, ended, most = [], [], []

    def arguments():
        asked.append(1)
        most.append(len(asked) - len(ended))
        return (4.0,)

    work = [Task(f"t{i}", arguments) for i in range(60)]
    outcomes = runner.run(math.sqrt, work, label="roots", on_outcome=ended.append)
    assert len(outcomes) == 60
    assert max(most) <= (1 if kind == "inline" else 6)


@pytest.mark.parametrize("kind", ["inline", "workers"])
def test_a_stop_lets_tasks_that_run_end_and_begins_no_other(kind, request, tmp_path):
    runner = InlineRunner() if kind == "inline" else request.getfixturevalue("workers")
    ended = []

    def take(outcome):
        ended.append(outcome.key)
        ask_to_stop("SIGTERM")

    work = [Task(f"t{i}", (str(tmp_path / f"{i}"),)) for i in range(40)]
    try:
        with pytest.raises(Stopped, match="stopped by SIGTERM; what is finished is kept"):
            runner.run(work_a_while, work, label="work", on_outcome=take)
    finally:
        forget_stop()
    begun = {f"t{p.stem}" for p in tmp_path.glob("*.begun")}
    # All that began came to its end; what began just when the others were taken back is not kept.
    assert begun == {f"t{p.stem}" for p in tmp_path.glob("*.ended")}
    assert set(ended) <= begun
    assert len(begun - set(ended)) <= (0 if kind == "inline" else 2)
    assert 1 <= len(begun) <= (1 if kind == "inline" else 8)
    assert runner.run(math.sqrt, tasks(4.0), label="after")["t0"].value == 2.0


class Queue(LocalCluster):
    """Stands for a batch queue: it takes options, and starts workers when told how many jobs."""

    asked: ClassVar[list] = []

    def __init__(self, *, cores, memory, queue=None, **rest):
        if "colour" in rest:
            msg = "no such word: colour"
            raise TypeError(msg)
        self.asked.append((cores, memory, queue))
        super().__init__(
            n_workers=0, threads_per_worker=1, processes=False, dashboard_address="127.0.0.1:0"
        )

    def scale(self, n=None, *, jobs=None, **rest):
        if jobs is not None:
            self.asked.append(jobs)
        return super().scale(jobs if n is None else n, **rest)


def test_a_batch_queue_is_asked_for_jobs(monkeypatch):
    monkeypatch.setitem(sys.modules, "dask_jobqueue", SimpleNamespace(SLURMCluster=Queue))
    queue = ClusterConfig(type="slurm", jobs=2, memory="3GB", partition="night")
    with open_runner(workers=1, queue=queue) as runner:
        assert runner.run(math.sqrt, tasks(4.0, 9.0), label="root")["t1"].value == 3.0
    assert Queue.asked[:2] == [(1, "3GB", "night"), 2]
    wrong = ClusterConfig(type="slurm", options={"colour": "green"})
    with (
        pytest.raises(ConfigError, match=r"\[cluster\]: .*colour"),
        open_runner(workers=1, queue=wrong),
    ):
        pass


def test_jobs_of_a_queue_are_told_not_to_watch_themselves_and_then_what_the_user_wants():
    queue = ClusterConfig(type="slurm", setup=("module load python",))
    *quiet, last = job_options(queue)["job_script_prologue"]
    assert last == "module load python"
    assert {text.split(" ", 1)[0] for text in quiet} == {"export"}
    told = dask.config.collect_env(dict(text.split(" ", 1)[1].split("=") for text in quiet))
    for key, value in QUIET.items():
        assert str(dask.config.get(key, config=told)) == value
        dask.config.get(key)  # a key that dask has no more would be of no use


def test_a_batch_queue_without_its_extra_is_a_mistake(monkeypatch):
    monkeypatch.setitem(sys.modules, "dask_jobqueue", None)
    with (
        pytest.raises(ConfigError, match=r"driftloom\[cluster\]"),
        open_runner(workers=1, queue=ClusterConfig(type="pbs")),
    ):
        pass
