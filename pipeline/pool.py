"""Worker processes of this machine, each with one task under way and the next at hand.

A worker that dies costs the task that it was doing one of its tries, and nothing else. No dask
here: its scheduler and workers look after much that one machine has no need of, for a tenth of all
processor time on a night whose tasks take a second or less.
"""

import atexit
import ctypes
import logging
import multiprocessing
import os
import pickle
import signal
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib import import_module
from multiprocessing import connection
from queue import SimpleQueue
from typing import Any

import psutil

from pipeline.attempt import Outcome, Task, attempt
from pipeline.errors import Stopped
from pipeline.local import WORKER_MODULE, begin_workers, start_method
from pipeline.runners import Progress, Runner
from pipeline.stopping import check_stop

__all__ = ["PoolRunner", "open_pool"]

logger = logging.getLogger(__name__)

_AHEAD = 2  # tasks at a worker: one under way, and one to go on with
_TRIES = 3  # of a task whose worker dies
_LOOK = 0.5  # s between two looks at a stop asked for, and at what workers hold
_GRACE = 60.0  # s for tasks that run to end when the run stops
_FAREWELL = 2.0  # s for a worker to end by itself
_UNDONE = b""  # what a worker says of a task that it sends back


def serve(link: connection.Connection, halt: Any) -> None:
    """Do tasks as they come, until the other end is closed; what a worker process runs.

    Parameters
    ----------
    link : multiprocessing.connection.Connection
        Gives pickled calls, and takes pickled outcomes.
    halt : ctypes.c_bool
        Shared; while it is true, tasks are sent back undone.
    """
    # The process that gives out the work is told to stop, and lets tasks come to their end.
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import_module(WORKER_MODULE)  # there already in a copy
    with suppress(EOFError, OSError):
        while True:
            content = link.recv_bytes()
            link.send_bytes(_UNDONE if halt.value else _do(content))


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, killed perhaps."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _do(content: bytes) -> bytes:
    """Pickled outcome of a pickled call."""
    try:
        outcome = attempt(*pickle.loads(content))  # noqa: S301 - from the process that started this
        return pickle.dumps(outcome, protocol=pickle.HIGHEST_PROTOCOL)
    except Exception as error:  # noqa: BLE001 - what cannot travel must not end the worker
        text = f"task or outcome cannot be handed on: {type(error).__name__}: {error}"
        return pickle.dumps(Outcome("", None, text, float("nan")))


class _Worker:
    """A worker process and the tasks that it was given, the one under way first."""

    def __init__(self, context: Any, halt: Any) -> None:
        self.link, theirs = context.Pipe()
        self.process = context.Process(
            target=serve, args=(theirs, halt), name="driftloom-worker", daemon=True
        )
        self.process.start()
        theirs.close()
        self.tasks: deque[Task] = deque()
        self.reason = ""  # why it was killed, where it was
        # Large arguments wait here until the worker takes them: sending must not hold up the rest.
        self._outbox: SimpleQueue[bytes | None] = SimpleQueue()
        threading.Thread(target=self._send, daemon=True).start()

    def _send(self) -> None:
        with suppress(OSError):  # dead: seen by who waits for it
            while (content := self._outbox.get()) is not None:
                self.link.send_bytes(content)

    def give(self, task: Task, content: bytes) -> None:
        """Add a task to what it has to do."""
        self.tasks.append(task)
        self._outbox.put(content)

    def take(self) -> tuple[Task, Outcome | None] | None:
        """Next outcome and its task, None in its place where it was sent back; None if dead."""
        try:
            if not self.link.poll():
                return None
            content = self.link.recv_bytes()
        except (EOFError, OSError):
            return None
        task = self.tasks.popleft()
        if content == _UNDONE:
            return task, None
        return task, replace(pickle.loads(content), key=task.key)  # noqa: S301 - our own worker's

    def watch(self, limit: int) -> None:
        """Kill it where it holds too much."""
        with suppress(psutil.Error, TypeError):
            held = psutil.Process(self.process.pid).memory_info().rss
            if held > limit:
                self.reason = (
                    f"it held {held / 1e9:.2f} GB, and compute.memory_limit is {limit / 1e9:.2f} GB"
                )
                self.process.kill()

    def describe_end(self) -> str:
        """How the process ended, in words."""
        self.process.join(_FAREWELL)
        code = self.process.exitcode
        how = f"status {code}"
        if code is not None and code < 0:
            with suppress(ValueError):
                how = signal.Signals(-code).name
        text = f"process {self.process.pid} ended by {how}"
        return f"{text}: {self.reason}" if self.reason else text

    def close(self) -> None:
        """Let go of a worker that has nothing to do, or is to be cut off."""
        if self.tasks:
            self.process.kill()
            self.process.join(_FAREWELL)
        self._outbox.put(None)
        self.link.close()
        self.process.join(_FAREWELL)
        if self.process.exitcode is None:
            self.process.kill()
            self.process.join(_FAREWELL)


class PoolRunner(Runner):
    """Runs tasks on worker processes of this machine.

    Parameters
    ----------
    count : int
        Processes.
    memory_limit : int
        Bytes; a worker that holds more is killed, and its task tried again.
    progress : Progress, optional
        Where progress is shown.
    """

    def __init__(self, count: int, *, memory_limit: int, progress: Progress | None = None) -> None:
        super().__init__(progress)
        begin_workers()
        self._context = multiprocessing.get_context(start_method())
        # Without a lock: a worker killed while it looks must not keep one.
        self._halt = self._context.RawValue(ctypes.c_bool, False)
        self._limit = memory_limit
        self._looked = time.monotonic()
        self._workers: list[_Worker] = []
        # Workers heed no signal, so that a process which ends without this would wait for them.
        atexit.register(self.close)
        try:
            for _ in range(count):
                self._workers.append(_Worker(self._context, self._halt))
        except BaseException:
            self.close()
            raise

    def outcomes(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...],
    ) -> Generator[Outcome, None, None]:
        """Outcomes as workers are done with tasks."""
        del label
        left = deque(tasks)
        tries: Counter[str] = Counter()
        try:
            while True:
                check_stop()
                self._hand_out(function, common, left)
                if not left and not any(w.tasks for w in self._workers):
                    return
                for worker in self._wait():
                    taken = worker.take()
                    if taken is None:
                        lost = self._lose(worker, left, tries)
                        if lost is not None:
                            yield lost
                        continue
                    self._hand_out(function, common, left)
                    if taken[1] is not None:
                        yield taken[1]
        except Stopped:
            yield from self._come_to_end()
            raise
        finally:
            for _ in self._come_to_end():
                pass

    def _hand_out(
        self, function: Callable[..., Any], common: tuple[Any, ...], left: deque[Task]
    ) -> None:
        """Give each worker a task, and the next one while others are left for all."""
        for depth in range(_AHEAD):
            for worker in self._workers:
                # The last ones go to whoever is free first.
                if len(worker.tasks) > depth or len(left) <= depth * len(self._workers):
                    continue
                task = left.popleft()
                call = (function, task.key, (*common, *task.arguments()))
                worker.give(task, pickle.dumps(call, protocol=pickle.HIGHEST_PROTOCOL))

    def _wait(self) -> Iterator[_Worker]:
        """Workers that have something to tell, or are dead; none after a while."""
        if time.monotonic() - self._looked > _LOOK:
            self._looked = time.monotonic()
            for worker in self._workers:
                worker.watch(self._limit)
        ready = connection.wait(
            [x for w in self._workers for x in (w.link, w.process.sentinel)], _LOOK
        )
        for worker in [*self._workers]:
            if worker.link in ready or worker.process.sentinel in ready:
                yield worker

    def _renew(self, worker: _Worker) -> str:
        """Put a new worker in the place of a dead one, and say how that ended."""
        how = worker.describe_end()
        logger.warning("worker lost: %s; another takes its place", how)
        worker.close()
        self._workers[self._workers.index(worker)] = _Worker(self._context, self._halt)
        return how

    def _lose(self, worker: _Worker, left: deque[Task], tries: Counter[str]) -> Outcome | None:
        """Take back the tasks of a dead worker; an outcome where the one it was at is given up."""
        how = self._renew(worker)
        left.extendleft(reversed(worker.tasks))
        if not worker.tasks:
            return None
        key = worker.tasks[0].key
        tries[key] += 1
        if tries[key] < _TRIES:
            return None
        left.popleft()
        text = f"worker lost: {how}; the task was tried {_TRIES} times"
        return Outcome(key, None, text, float("nan"))

    def _come_to_end(self) -> Iterator[Outcome]:
        """Outcomes of tasks that have begun: they may be writing. No other is begun.

        A worker that takes too long is cut off.
        """
        end = time.monotonic() + _GRACE
        self._halt.value = True
        try:
            while any(w.tasks for w in self._workers) and time.monotonic() < end:
                for worker in self._wait():
                    taken = worker.take()
                    if taken is None:
                        self._renew(worker)
                    elif taken[1] is not None:
                        yield taken[1]
        finally:
            for worker in [*self._workers]:
                if worker.tasks:
                    worker.process.kill()
                    self._renew(worker)
            self._halt.value = False

    def close(self) -> None:
        """End all workers."""
        atexit.unregister(self.close)
        for worker in self._workers:
            worker.close()
        self._workers.clear()


@contextmanager
def open_pool(
    count: int, *, memory_limit: int, progress: Progress | None = None
) -> Iterator[PoolRunner]:
    """A runner with its worker processes.

    Parameters
    ----------
    count, memory_limit, progress
        As for `PoolRunner`.

    Yields
    ------
    PoolRunner
    """
    runner = PoolRunner(count, memory_limit=memory_limit, progress=progress)
    try:
        yield runner
    finally:
        runner.close()
