"""Runs tasks on dask workers, on local ones, or here; the only module that knows dask.

A task is a plain function and its arguments. What it raises is caught where it runs and comes
back as text, so that one bad block never stops the others.
"""

import logging
import time
import uuid
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import psutil

from pipeline import environment
from pipeline.attempt import Outcome, Task, Terms, attempt_on_terms
from pipeline.batch import job_options
from pipeline.config import ClusterConfig
from pipeline.errors import BrokenOffError, ConfigError, Stopped
from pipeline.local import count_workers
from pipeline.pool import open_pool
from pipeline.runners import InlineRunner, Progress, Runner
from pipeline.stopping import check_stop

__all__ = ["DaskRunner", "open_runner"]

logger = logging.getLogger(__name__)

_PATIENCE = "10s"  # for a scheduler to answer
_LOOK = 0.5  # s between two looks at a stop asked for
_WATCH = 5.0  # s between two looks at the workers
_AHEAD = 3  # tasks under way for each worker thread: none waits for the next, none piles up
_NO_WORKER = 120.0  # s to wait for a worker of a running scheduler
_GRACE = 60.0  # s for tasks that run to end when the run stops
_QUEUES = {
    "htcondor": "HTCondorCluster", "lsf": "LSFCluster", "moab": "MoabCluster", "oar": "OARCluster",
    "pbs": "PBSCluster", "sge": "SGECluster", "slurm": "SLURMCluster",
}  # fmt: skip


class DaskRunner(Runner):
    """Runs tasks on the workers of a dask client.

    Parameters
    ----------
    client : distributed.Client
        Of a scheduler with workers, now or soon.
    progress : Progress, optional
        Where progress is shown.
    terms : dict of str to str
        Environment that workers must have.
    refill : callable, optional
        Asks for workers in the place of lost ones.
    patience : float
        Seconds without any worker before the run gives up.
    """

    def __init__(
        self,
        client: Any,
        progress: Progress | None = None,
        *,
        terms: dict[str, str],
        refill: Callable[[], Any] | None = None,
        patience: float = 120.0,
    ) -> None:
        super().__init__(progress)
        self._client = client
        self._terms = Terms(terms)
        self._refill = refill
        self._patience = patience
        self._threads = 0
        self._watched = -_WATCH
        self._seen = time.monotonic()

    def outcomes(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...],
    ) -> Generator[Outcome, None, None]:
        """Outcomes as workers are done with tasks.

        Everything that a task needs travels with it: data left with the workers would be lost with
        them, and `common` is small. A few tasks for each worker are under way at a time.

        Raises
        ------
        BrokenOffError
            If the scheduler or all workers are lost, or a worker is another's.
        """

        def submit(task: Task) -> Any:
            args = (*common, *task.arguments())
            call = (attempt_on_terms, self._terms, function, task.key, args)
            try:
                return self._client.submit(*call, pure=False, key=f"{label}-{uuid.uuid4().hex}")
            except (OSError, RuntimeError) as error:
                if self._client.status != "running":
                    raise self._scheduler_lost() from error
                raise

        ended: SimpleQueue[Any] = SimpleQueue()
        waiting = iter(tasks)
        under_way: dict[Any, Task] = {}
        lost: list[Task] = []
        try:
            while True:
                self._watch()
                while len(under_way) < max(4, _AHEAD * self._threads):
                    check_stop()
                    task = next(waiting, None)
                    if task is None:
                        break
                    future = submit(task)
                    under_way[future] = task
                    future.add_done_callback(ended.put)
                if not under_way:
                    break
                try:
                    future = ended.get(timeout=_LOOK)
                except Empty:
                    continue
                task = under_way.pop(future)
                if self._reason_lost(future):
                    lost.append(task)
                else:
                    yield self._accept(future)
            # Tasks that waited at a worker when another killed it are blamed as well. One by
            # one, each shows what it does itself.
            for task in lost:
                future = submit(task)
                under_way[future] = task
                future.add_done_callback(ended.put)
                while True:
                    self._watch()
                    with suppress(Empty):
                        ended.get(timeout=_LOOK)
                        break
                del under_way[future]
                reason = self._reason_lost(future)
                if reason:
                    yield Outcome(task.key, None, reason, float("nan"))
                else:
                    yield self._accept(future)
        except Stopped:
            # What runs is worth its end, and must not be cut off while it writes.
            begun = self._take_back(under_way)
            end = time.monotonic() + _GRACE
            while begun and time.monotonic() < end and self._client.status == "running":
                with suppress(Empty):
                    future = ended.get(timeout=_LOOK)
                    task = under_way.pop(future)
                    if future in begun:
                        begun.remove(future)
                        if not self._reason_lost(future):
                            yield self._accept(future)
            raise
        finally:
            self._give_up(list(under_way))

    def require(self, paths: Sequence[Path]) -> None:
        """Make sure that all workers see files and folders; those that come later too."""
        self._terms = Terms(self._terms.environment, tuple(str(p) for p in paths))
        for worker, faults in self._client.run(self._terms.find_faults).items():
            if faults:
                msg = (
                    f"worker {worker}: {'; '.join(faults)}; give workers the same folders under "
                    "the same paths, or start them on this machine"
                )
                raise ConfigError(msg)

    def _accept(self, future: Any) -> Outcome:
        """Outcome of a future that has one."""
        try:
            outcome: Outcome = future.result()
        except (OSError, CancelledError) as error:
            # Between its end and the fetching of what it gave.
            raise self._scheduler_lost() from error
        if outcome.stranger:
            msg = (
                f"a worker that joined meanwhile cannot be given work: {outcome.error}. Stop it or "
                "give it the same environment, then start the same command again; what is "
                "finished is kept"
            )
            raise BrokenOffError(msg)
        return outcome

    def _watch(self) -> None:
        """Look whether the run may go on, and how many threads there are."""
        check_stop()
        now = time.monotonic()
        if now - self._watched < _WATCH and self._threads:
            return
        self._watched = now
        try:
            if self._client.status != "running":
                raise OSError(self._client.status)  # noqa: TRY301 - as if it had not answered
            self._threads = sum(self._client.nthreads().values())
        except (OSError, ValueError, TimeoutError) as error:
            raise self._scheduler_lost() from error
        if self._refill is not None:
            # A worker killed while it starts is given up by what started it.
            self._refill()
        if self._threads:
            self._seen = now
        elif now - self._seen > self._patience:
            msg = (
                f"no worker for {self._patience:.0f} s; start workers (`dask worker ADDRESS`) or "
                "look at the queue, then start the same command again; what is finished is kept"
            )
            raise BrokenOffError(msg)

    def _scheduler_lost(self) -> BrokenOffError:
        # What dask and asyncio say of their loss from here on adds nothing but traces.
        for name in ("distributed", "distributed.client", "distributed.utils", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        return BrokenOffError(
            "the scheduler is lost: it has ended or cannot be reached; start it and its workers, "
            "then the same command again; what is finished is kept"
        )

    def _reason_lost(self, future: Any) -> str:
        """Why a future that has ended has no outcome; empty where it has one."""
        if future.cancelled():
            if self._client.status != "running":
                raise self._scheduler_lost()
            return "worker lost: the scheduler gave the task up"
        error = future.exception()
        return f"worker lost: {error}" if error is not None else ""

    def _take_back(self, under_way: Iterable[Any]) -> list[Any]:
        """Cancel what has not begun, and tell what has."""
        futures = list(under_way)
        keys = {future.key for future in futures}
        running: set[str] = set()
        with suppress(Exception):  # the workers may be gone: then nothing runs either
            running = set().union(*self._client.run(_running, keys).values())
        begun = [f for f in futures if f.key in running or (f.done() and not f.cancelled())]
        with suppress(Exception):
            self._client.cancel([f for f in futures if f not in begun])
        return begun

    def _give_up(self, futures: list[Any]) -> None:
        """Cancel what is under way, and wait a while for what has begun: it may be writing."""
        if not futures or self._client.status != "running":
            return
        keys = {future.key for future in futures}
        with suppress(Exception):
            self._client.cancel(futures)
            end = time.monotonic() + _GRACE
            while time.monotonic() < end and any(self._client.run(_running, keys).values()):
                time.sleep(_LOOK)


def _running(keys: set[str], dask_worker: Any) -> set[str]:
    """Those of some tasks that occupy a thread of this worker, given up or not."""
    return {task.key for task in dask_worker.state.all_running_tasks} & keys


def _quieten() -> None:
    """Leave dask's news of workers that come and go out of a run's output; its errors stay."""
    import dask

    # The stars of a strip travel to one task: tens of megabytes, and meant.
    dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"})
    for name in ("distributed", "distributed.scheduler", "distributed.nanny", "distributed.core"):
        logging.getLogger(name).setLevel(logging.ERROR)
    # That a scheduler is lost is said in our words.
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)


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
        cluster = getattr(dask_jobqueue, _QUEUES[queue.type])(**job_options(queue))
    except (TypeError, ValueError) as error:
        msg = (
            f"[cluster]: {error}; cluster.options goes to dask-jobqueue as it is: see there for "
            f"what a {queue.type} queue takes"
        )
        raise ConfigError(msg) from error
    try:
        cluster.scale(jobs=queue.jobs)
    except (OSError, RuntimeError) as error:
        cluster.close()
        msg = f"[cluster]: no job could be handed to the {queue.type} queue: {error}"
        raise ConfigError(msg) from error
    return cluster


def _wait_for_workers(client: Any, *, patience: float, remedy: str) -> None:
    """Wait until there is a worker."""
    begin = time.monotonic()
    while not client.nthreads():
        check_stop()
        if time.monotonic() - begin > patience:
            msg = f"no worker came within {patience:.0f} s; {remedy}"
            raise ConfigError(msg)
        time.sleep(_LOOK)


def _check_workers(client: Any) -> dict[str, str]:
    """Compare the environments of all workers with this one, and give it.

    Raises
    ------
    ConfigError
        If one differs.
    """
    import cloudpickle

    ours = environment.describe_environment()
    # By value: a worker without this program, or with another version of it, must answer too.
    cloudpickle.register_pickle_by_value(environment)
    try:
        answers = client.run(environment.describe_environment)
    finally:
        cloudpickle.unregister_pickle_by_value(environment)
    faults = []
    for worker, theirs in answers.items():
        differences = environment.compare_environments(ours, theirs)
        if differences:
            where = f"process {theirs['process']} on {theirs['host']}"
            faults.append(f"worker {worker} ({where}): {'; '.join(differences)}")
    if faults:
        msg = (
            "workers differ from this process, and would make other products: "
            + ". ".join(faults)
            + ". Install the same versions there, restart the workers, and start again"
        )
        raise ConfigError(msg)
    return ours


def _share_memory(text: str, workers: int) -> int:
    """Memory of one worker of this machine, bytes, from a number with its unit or "auto"."""
    if text == "auto":
        return int(psutil.virtual_memory().total) // workers
    from dask.utils import parse_bytes

    return int(parse_bytes(text))


@contextmanager
def open_runner(
    *,
    workers: int,
    scheduler: str = "",
    queue: ClusterConfig | None = None,
    memory_limit: str = "auto",
    progress: Progress | None = None,
    say: Callable[[str], Any] = logger.info,
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
    say : callable
        Takes a line about where the work is done.

    Yields
    ------
    Runner

    Raises
    ------
    ConfigError
        If no scheduler answers, the queue cannot be used, no worker comes, or workers have other
        versions than this process.
    """
    if scheduler:
        _quieten()
        with _connect(scheduler) as client:
            say(f"Workers of the scheduler at {scheduler}; dashboard: {client.dashboard_link}")
            remedy = f"start some: `dask worker {scheduler} --nthreads 1` for each core"
            _wait_for_workers(client, patience=_NO_WORKER, remedy=remedy)
            yield DaskRunner(client, progress, terms=_check_workers(client))
        return
    if queue is not None:
        _quieten()
        with _submit_jobs(queue) as cluster, _connect(cluster.scheduler_address) as client:
            say(
                f"{queue.jobs} job(s) handed to the {queue.type} queue; "
                f"dashboard: {client.dashboard_link}"
            )
            _wait_for_workers(
                client, patience=queue.patience,
                remedy="look at the queue and at the logs of its jobs (cluster.log_folder), or "
                "raise cluster.patience",
            )  # fmt: skip
            yield DaskRunner(
                client, progress, terms=_check_workers(client), patience=queue.patience,
                refill=lambda: cluster.scale(jobs=queue.jobs),
            )  # fmt: skip
        return
    count = count_workers(workers)
    if count == 1:
        yield InlineRunner(progress)
        return
    limit = _share_memory(memory_limit, count)
    with open_pool(count, memory_limit=limit, progress=progress) as runner:
        say(f"{count} worker processes on this machine")
        yield runner
