"""Worker processes of this machine, and how they keep memory."""

import multiprocessing
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.attempt import Task, attempt
from pipeline.graph import open_runner
from pipeline.local import begin_workers, count_workers, start_method
from pipeline.memory import keep_freed_memory


def look() -> tuple[int, bool, str]:
    """This process, whether what tasks need came with it, and its number of threads."""
    return os.getppid(), "pipeline.nightly" in sys.modules, os.environ["OPENBLAS_NUM_THREADS"]


def tell(link) -> None:
    """The same of a process that loads nothing itself."""
    link.send(look())


def test_count_of_workers():
    assert count_workers(3) == 3
    assert count_workers(0) == os.cpu_count()


@pytest.mark.skipif(start_method() == "spawn", reason="this system cannot copy processes")
def test_workers_are_copies_of_one_process_that_has_loaded_all():
    begin_workers()
    context = multiprocessing.get_context(start_method())
    answers = []
    for _ in range(2):
        ours, theirs = context.Pipe()
        process = context.Process(target=tell, args=(theirs,))
        process.start()
        answers.append(ours.recv())
        process.join()
    with open_runner(workers=2) as runner:
        found = runner.run(look, [Task(str(n), ()) for n in range(8)], label="look")
    answers += [outcome.value for outcome in found.values()]
    parents = {parent for parent, _, _ in answers}
    assert len(parents) == 1
    assert parents != {os.getpid()}
    assert all(loaded for _, loaded, _ in answers)
    assert all(threads.isdigit() for _, _, threads in answers)


def test_without_copies_workers_are_started_one_by_one(monkeypatch):
    monkeypatch.setattr(multiprocessing, "get_all_start_methods", lambda: ["spawn"])
    assert start_method() == "spawn"
    with open_runner(workers=2) as runner:
        found = runner.run(look, [Task("one", ())], label="look")
    assert found["one"].value[:2] == (os.getpid(), True)


_PROBE = """
import resource, sys
from pipeline.attempt import attempt
from pipeline.memory import keep_freed_memory
if sys.argv[1] == "kept":
    assert keep_freed_memory()
import numpy as np
arrays = [np.ones(1 << 17) for _ in range(6)]  # 1 MiB each, in the heap once it is kept
begin = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(200):
    del arrays[:]
    arrays.extend(np.ones(1 << 17) for _ in range(6))
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - begin)
"""


@pytest.mark.skipif(not keep_freed_memory(), reason="not the GNU C library")
def test_freed_arrays_are_used_again_without_faults():
    def faults(how: str) -> int:
        # As dask sets it for its workers.
        env = {**os.environ, "MALLOC_TRIM_THRESHOLD_": "65536"}
        return int(subprocess.check_output([sys.executable, "-c", _PROBE, how], env=env, text=True))

    assert faults("kept") < 0.1 * faults("given back")


def hoard(held: list[object]) -> float:
    """Leave free memory below a piece that is still in use; what is resident then, MB."""
    pieces = [np.ones(1 << 17) for _ in range(200)]
    held.append(np.ones(1 << 18))
    del pieces
    return _resident()


def look_again() -> float:
    """What is resident, MB."""
    return _resident()


def _resident() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.skipif(
    not keep_freed_memory() or not Path("/proc/self/statm").exists(), reason="not GNU on Linux"
)
def test_a_task_of_another_kind_begins_without_what_the_last_one_left():
    held: list[object] = []
    before = attempt(hoard, "one", (held,)).value
    again = attempt(hoard, "two", (held,)).value
    assert again < before + 100.0  # 200 MB were used again
    assert attempt(look_again, "three", ()).value < again - 100.0
