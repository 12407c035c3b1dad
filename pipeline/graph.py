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

from threadpoolctl import threadpool_limits

from pipeline.config import ClusterConfig
from pipeline.errors import ConfigError, DriftloomError
from pipeline.io.tally import count_reading

__all__ = [
    "DaskRunner",
    "InlineRunner",
    "NoProgress",
    "OnOutcome",
    "Outcome",
    "Progress",
    "Runner",
    "Task",
    "open_runner",
]

logger = logging.getLogger(__name__)

_PATIENCE = "10s"  # for a scheduler to answer
_QUEUES = {
    "htcondor": "HTCondorCluster", "lsf": "LSFCluster", "moab": "MoabCluster", "oar": "OARCluster",
    "pbs": "PBSCluster", "sge": "SGECluster", "slurm": "SLURMCluster",
}  # fmt: skip


@dataclass(frozen=True)
class Task:
    """One call to make: a key that names it, and the arguments of the function."""

    key: str
    args: tuple[Any, ...]


@dataclass(frozen=True)
class Outcome:
    """What became of a task: a value, or the reason why there is none.

    `lost_lines` counts raw lines that could not be read on the way, `raw_bytes` the raw pixels
    that were.
    """

    key: str
    value: Any
    error: str | None
    seconds: float
    lost_lines: int = 0
    raw_bytes: int = 0

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


OnOutcome = Callable[[Outcome], None]


class Runner(Protocol):
    """Runs many calls of one function."""

    def run(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...] = (),
        on_outcome: OnOutcome | None = None,
    ) -> dict[str, Outcome]:
        """Call ``function(*common, *task.args)`` for every task; outcomes by key.

        ``on_outcome`` is called in this process with each outcome as it comes in.
        """


def _attempt(function: Callable[..., Any], key: str, args: tuple[Any, ...]) -> Outcome:
    """Call and time a task; turn an exception into text, with the trace in the log."""
    begin = time.perf_counter()
    value, text = None, None
    with count_reading() as tally:
        try:
            # One thread of linear algebra: another number of threads sums in another order, and
            # the same strip would give other last digits here than on a worker.
            with threadpool_limits(limits=1):
                value = function(*args)
        except DriftloomError as error:
            text = f"{error}"
        except Exception as error:  # noqa: BLE001 - a task's failure must not stop the night
            logger.warning("%s failed:\n%s", key, traceback.format_exc())
            where = traceback.extract_tb(error.__traceback__)[-1]
            text = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
    seconds = time.perf_counter() - begin
    return Outcome(key, value, text, seconds, tally.lost_lines, tally.raw_bytes)


def _collect(
    outcomes: Iterable[Outcome],
    *,
    label: str,
    total: int,
    progress: Progress,
    on_outcome: OnOutcome | None,
) -> dict[str, Outcome]:
    progress.start(label, total)
    done: dict[str, Outcome] = {}
    for outcome in outcomes:
        done[outcome.key] = outcome
        if on_outcome is not None:
            on_outcome(outcome)
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
        on_outcome: OnOutcome | None = None,
    ) -> dict[str, Outcome]:
        """Call ``function(*common, *task.args)`` for every task, one after the other."""
        outcomes = (_attempt(function, task.key, (*common, *task.args)) for task in tasks)
        return _collect(
            outcomes,
            label=label,
            total=len(tasks),
            progress=self._progress,
            on_outcome=on_outcome,
        )


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
        on_outcome: OnOutcome | None = None,
    ) -> dict[str, Outcome]:
        """Call ``function(*common, *task.args)`` for every task, as workers become free.

        Everything that a task needs travels with it: data left with the workers would be lost with
        them, and `common` is small.
        """
        from distributed import as_completed

        def submit(task: Task) -> Any:
            return self._client.submit(
                _attempt, function, task.key, (*common, *task.args), pure=False, key=None
            )

        def outcomes() -> Iterator[Outcome]:
            futures = {submit(task): task for task in tasks}
            lost: list[Task] = []
            for future in as_completed(futures):
                if _reason_lost(future):
                    lost.append(futures[future])
                else:
                    yield future.result()
            # Tasks that waited at a worker when another killed it are blamed as well. One by one,
            # each shows what it does itself.
            for task in lost:
                future = submit(task)
                reason = _reason_lost(future)
                yield Outcome(task.key, None, reason, float("nan")) if reason else future.result()

        return _collect(
            outcomes(),
            label=label,
            total=len(tasks),
            progress=self._progress,
            on_outcome=on_outcome,
        )


def _reason_lost(future: Any) -> str:
    """Why a future has no outcome, when it has ended; empty where it has one."""
    error = future.exception()
    if future.cancelled():
        return "worker lost: the scheduler gave the task up"
    return f"worker lost: {error}" if error is not None else ""


def _quieten() -> None:
    """Leave dask's news of workers that come and go out of a run's output; its errors stay."""
    import dask

    # The stars of a strip travel to one task: tens of megabytes, and meant.
    dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"})
    for name in ("distributed", "distributed.scheduler", "distributed.nanny", "distributed.core"):
        logging.getLogger(name).setLevel(logging.ERROR)


def _connect(address: str) -> Any:
    """Client of a running scheduler."""
    from distributed import Client

    try:
        return Client(address, timeout=_PATIENCE)
    except (OSError, ValueError) as error:
        reason = " ".join(str(error).split())
        msg = (
            f"compute.scheduler: no scheduler answers at {address!r} ({reason}); start one there, "
            "correct the address (tcp://host:port), or leave it out to work on this machine"
        )
        raise ConfigError(msg) from error


def _submit_jobs(queue: ClusterConfig) -> Any:
    """Cluster whose workers are jobs of a batch queue."""
    try:
        import dask_jobqueue
    except ImportError as error:
        msg = (
            "[cluster]: needs the extra `cluster`; install driftloom[cluster], or remove the table"
        )
        raise ConfigError(msg) from error
    try:
        cluster = getattr(dask_jobqueue, _QUEUES[queue.type])(**queue.options)
    except (TypeError, ValueError) as error:
        msg = f"cluster.options: {error}; see dask-jobqueue for what a {queue.type} queue takes"
        raise ConfigError(msg) from error
    cluster.scale(jobs=queue.jobs)
    return cluster


@contextmanager
def open_runner(
    *,
    workers: int,
    scheduler: str = "",
    queue: ClusterConfig | None = None,
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
    queue : ClusterConfig, optional
        Batch queue to which workers are submitted, where there is no scheduler.
    memory_limit : str
        Memory of one local worker, as dask understands it.
    progress : Progress, optional
        Where progress is shown.

    Yields
    ------
    Runner

    Raises
    ------
    ConfigError
        If no scheduler answers, or the queue cannot be used.
    """
    if scheduler:
        _quieten()
        with _connect(scheduler) as client:
            yield DaskRunner(client, progress)
        return
    if queue is not None:
        _quieten()
        with _submit_jobs(queue) as cluster, _connect(cluster.scheduler_address) as client:
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
            # Without an address every run would ask for the same port, and a second one complain.
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.ERROR,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield DaskRunner(client, progress)
