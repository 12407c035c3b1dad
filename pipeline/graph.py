"""Runs tasks on dask workers, or one after the other here; the only module that knows dask.

A task is a plain function and its arguments. What it raises is caught where it runs and comes
back as text, so that one bad block never stops the others.
"""

import logging
import os
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from pipeline.errors import DriftloomError

__all__ = ["InlineRunner", "NoProgress", "Outcome", "Progress", "Runner", "Task", "open_runner"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Task:
    """One call to make: a key that names it, and the arguments of the function."""

    key: str
    args: tuple[Any, ...]


@dataclass(frozen=True)
class Outcome:
    """What became of a task: a value, or the reason why there is none."""

    key: str
    value: Any
    error: str | None
    seconds: float

    @property
    def ok(self) -> bool:
        """True when the task returned a value."""
        return self.error is None


class Progress(Protocol):
    """Where progress is shown; the command line draws a bar, tests and libraries show nothing."""

    def start(self, label: str, total: int) -> None:
        """Open a stretch of work of ``total`` tasks."""

    def advance(self) -> None:
        """Count one task as ended."""

    def finish(self) -> None:
        """Close the stretch of work."""


class NoProgress:
    """Shows nothing."""

    def start(self, label: str, total: int) -> None:
        """Do nothing."""

    def advance(self) -> None:
        """Do nothing."""

    def finish(self) -> None:
        """Do nothing."""


class Runner(Protocol):
    """Runs many calls of one function."""

    def run(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...] = (),
    ) -> dict[str, Outcome]:
        """Call ``function(*common, *task.args)`` for every task; outcomes by key."""


def _attempt(function: Callable[..., Any], key: str, args: tuple[Any, ...]) -> Outcome:
    """Call and time a task; turn an exception into text, with the trace in the log."""
    begin = time.perf_counter()
    try:
        value = function(*args)
    except DriftloomError as error:
        return Outcome(key, None, f"{error}", time.perf_counter() - begin)
    except Exception as error:  # noqa: BLE001 - a task's failure must not stop the night
        logger.warning("%s failed:\n%s", key, traceback.format_exc())
        where = traceback.extract_tb(error.__traceback__)[-1]
        text = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
        return Outcome(key, None, text, time.perf_counter() - begin)
    return Outcome(key, value, None, time.perf_counter() - begin)


def _collect(
    outcomes: Iterable[Outcome], *, label: str, total: int, progress: Progress
) -> dict[str, Outcome]:
    progress.start(label, total)
    done: dict[str, Outcome] = {}
    for outcome in outcomes:
        done[outcome.key] = outcome
        progress.advance()
    progress.finish()
    return done


class InlineRunner:
    """Runs every task in this process, in order."""

    def __init__(self, progress: Progress | None = None) -> None:
        self._progress = progress or NoProgress()

    def run(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...] = (),
    ) -> dict[str, Outcome]:
        """Call ``function(*common, *task.args)`` for every task, one after the other."""
        outcomes = (_attempt(function, task.key, (*common, *task.args)) for task in tasks)
        return _collect(outcomes, label=label, total=len(tasks), progress=self._progress)


class DaskRunner:
    """Runs tasks on the workers of a dask client."""

    def __init__(self, client: Any, progress: Progress | None = None) -> None:
        self._client = client
        self._progress = progress or NoProgress()

    def run(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...] = (),
    ) -> dict[str, Outcome]:
        """Call ``function(*common, *task.args)`` for every task, as workers become free.

        ``common`` is sent to each worker once, not once per task.
        """
        from distributed import as_completed

        shared = self._client.scatter(common, broadcast=True, hash=False) if common else ()
        futures = {
            self._client.submit(
                _attempt_shared, function, task.key, shared, task.args, pure=False, key=None
            ): task.key
            for task in tasks
        }

        def outcomes() -> Iterator[Outcome]:
            for future in as_completed(futures):
                key = futures[future]
                # A worker that died several times under one task leaves the error in the future.
                error = future.exception()
                if error is None:
                    yield future.result()
                else:
                    yield Outcome(key, None, f"worker lost: {error}", float("nan"))

        return _collect(outcomes(), label=label, total=len(tasks), progress=self._progress)


def _attempt_shared(
    function: Callable[..., Any], key: str, shared: Sequence[Any], args: tuple[Any, ...]
) -> Outcome:
    return _attempt(function, key, (*shared, *args))


def _quieten() -> None:
    """Leave dask's news of workers that come and go out of a run's output; its errors stay."""
    for name in ("distributed", "distributed.scheduler", "distributed.nanny", "distributed.core"):
        logging.getLogger(name).setLevel(logging.ERROR)


@contextmanager
def open_runner(
    *,
    workers: int,
    scheduler: str = "",
    memory_limit: str = "auto",
    progress: Progress | None = None,
) -> Iterator[Runner]:
    """Make a runner and, where needed, the worker processes behind it.

    Parameters
    ----------
    workers : int
        Local worker processes; 0 takes one for each core, 1 runs inside this process.
    scheduler : str
        Address of a running dask scheduler (``tcp://host:port``); empty for local work.
    memory_limit : str
        Memory of one local worker, as dask understands it.
    progress : Progress, optional
        Where progress is shown.

    Yields
    ------
    Runner
    """
    if scheduler:
        from distributed import Client

        _quieten()
        with Client(scheduler) as client:
            yield DaskRunner(client, progress)
        return
    count = workers if workers > 0 else (os.cpu_count() or 1)
    if count == 1:
        yield InlineRunner(progress)
        return
    from distributed import Client, LocalCluster

    _quieten()
    # One thread a worker: numba and BLAS threads of their own would fight over the same cores.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with (
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            memory_limit=memory_limit,
            dashboard_address=None,
            silence_logs=logging.ERROR,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield DaskRunner(client, progress)
