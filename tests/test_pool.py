"""Worker processes of this machine: what becomes of them, and of tasks, when something is lost."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil
import pytest

from pipeline import pool
from pipeline.attempt import Task
from pipeline.graph import open_runner
from pipeline.pool import open_pool

ROOT = Path(__file__).parents[1]
GB = 10**9

pytestmark = pytest.mark.xdist_group("graph")


def die(mark):
    """Kill this process, and count it."""
    with Path(mark).open("a") as stream:
        stream.write("x")
    os.kill(os.getpid(), signal.SIGKILL)


def hoard(size):
    """Hold so many bytes for long."""
    held = np.ones(size, dtype=np.uint8)
    time.sleep(30)
    return held.size


def note(mark, seconds):
    """Leave a mark, and take a while."""
    with Path(mark).open("a") as stream:
        stream.write("x")
    time.sleep(seconds)
    return os.getpid()


def refuse():
    """Give what no other process can be given."""
    return lambda: 1


def either(mark, seconds):
    """The one or the other."""
    return note(mark, seconds) if seconds else die(mark)


def test_a_task_that_kills_its_worker_is_tried_three_times_and_alone_to_blame(tmp_path, caplog):
    marks = [tmp_path / str(n) for n in range(5)]
    work = [Task(f"t{n}", (str(m), 0.3 if n else 0.0)) for n, m in enumerate(marks)]
    with open_pool(1, memory_limit=4 * GB) as runner:
        outcomes = runner.run(either, work, label="one bad")
    assert "ended by SIGKILL; the task was tried 3 times" in outcomes["t0"].error
    assert marks[0].read_text() == "xxx"
    assert caplog.text.count("ended by SIGKILL; another takes its place") == 3
    # Those that waited at the worker while it died are done once.
    assert [m.read_text() for m in marks[1:]] == ["x"] * 4
    assert all(outcomes[f"t{n}"].ok for n in range(1, 5))


def test_a_worker_that_holds_too_much_is_ended_with_the_reason():
    with open_pool(1, memory_limit=GB) as runner:
        begin = time.monotonic()
        outcome = runner.run(hoard, [Task("large", (2 * GB,))], label="hoard")["large"]
        assert time.monotonic() - begin < 25
        assert runner.run(os.getpid, [Task("small", ())], label="after")["small"].ok
    assert outcome.error.startswith("worker lost: process ")
    assert "and compute.memory_limit is 1.00 GB; the task was tried 3 times" in outcome.error


def test_the_limit_is_that_of_the_configuration():
    with open_runner(workers=2, memory_limit="0.9GiB") as runner:
        outcome = runner.run(hoard, [Task("large", (2 * GB,))], label="hoard")["large"]
    assert "compute.memory_limit is 0.97 GB" in outcome.error


def test_what_cannot_be_handed_back_fails_its_task_alone():
    with open_pool(1, memory_limit=4 * GB) as runner:
        outcome = runner.run(refuse, [Task("odd", ())], label="odd")["odd"]
        assert outcome.key == "odd"
        assert outcome.error.startswith("task or outcome cannot be handed on: ")
        assert runner.run(os.getpid, [Task("pid", ())], label="after")["pid"].ok


def test_the_last_tasks_go_to_whoever_is_free(tmp_path):
    """One that takes long must not have another wait behind it while a worker is idle."""
    seconds = [2.0, 0.1, 0.1, 0.1]
    work = [Task(f"t{n}", (str(tmp_path / "m"), s)) for n, s in enumerate(seconds)]
    with open_pool(2, memory_limit=4 * GB) as runner:
        runner.run(note, [Task("a", (str(tmp_path / "n"), 0.2))] * 2, label="start")
        outcomes = runner.run(note, work, label="uneven")
    long = outcomes["t0"].value
    assert [outcomes[f"t{n}"].value == long for n in range(1, 4)] == [False] * 3


def test_no_worker_outlives_the_process_that_started_it(tmp_path):
    code = (
        "import os, sys\n"
        "from pipeline.attempt import Task\n"
        "from pipeline.pool import open_pool\n"
        "import time\n"
        "if __name__ == '__main__':\n"
        "    with open_pool(2, memory_limit=10**10) as runner:\n"
        "        work = [Task(str(n), (60,)) for n in range(2)]\n"
        "        first = [Task(str(n), ()) for n in range(9)]\n"
        "        found = runner.run(os.getpid, first, label='pids')\n"
        "        print(*{o.value for o in found.values()}, flush=True)\n"
        "        runner.run(time.sleep, work, label='long')\n"
    )
    script = tmp_path / "run.py"
    script.write_text(code)
    with subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:  # fmt: skip
        workers = [psutil.Process(int(pid)) for pid in process.stdout.readline().split()]
        assert workers
        time.sleep(0.5)
        process.kill()
    _, alive = psutil.wait_procs(workers, timeout=10)
    assert alive == []


def test_workers_leave_signals_to_the_process_that_started_them(tmp_path):
    """Those that reach all processes of a terminal or of a batch job."""
    with open_pool(1, memory_limit=4 * GB) as runner:
        (pid,) = {o.value for o in runner.run(os.getpid, [Task("p", ())], label="pid").values()}
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            os.kill(pid, number)
        time.sleep(0.2)
        work = [Task("again", (str(tmp_path / "m"), 0.0))]
        assert runner.run(note, work, label="again")["again"].value == pid


def test_a_pool_that_cannot_be_filled_leaves_no_process(monkeypatch):
    made = []

    class Scarce(pool._Worker):
        def __init__(self, *arguments):
            if made:
                msg = "no more processes"
                raise OSError(msg)
            super().__init__(*arguments)
            made.append(self)

    monkeypatch.setattr(pool, "_Worker", Scarce)
    with pytest.raises(OSError, match="no more processes"):
        pool.PoolRunner(2, memory_limit=GB)
    assert made[0].process.exitcode is not None


def test_a_process_that_forgets_to_close_its_pool_ends_all_the_same(tmp_path):
    script = tmp_path / "run.py"
    script.write_text(
        "from pipeline.pool import PoolRunner\n"
        "if __name__ == '__main__':\n"
        "    runner = PoolRunner(2, memory_limit=10**10)\n"
    )
    subprocess.run(
        [sys.executable, str(script)], check=True, timeout=30,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
