"""One task where it runs: called, timed and measured, its failure turned into text.

No dask here: a task does not know who runs it.
"""

import logging
import re
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from pipeline import environment
from pipeline.errors import DriftloomError
from pipeline.io.atomic import no_room
from pipeline.io.store import load_outcome
from pipeline.io.tally import keep_tally
from pipeline.memory import give_back_memory, keep_freed_memory

__all__ = ["Later", "Outcome", "Task", "Terms", "attempt", "attempt_on_terms"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Later:
    """An argument made where the task runs, of what earlier tasks left in the folder of products.

    What the blocks of a long strip gave would travel as bytes and be held by both ends at once.

    Parameters
    ----------
    function : callable
        Makes the argument of an iterator of outcomes; `next` takes the only one as it is.
    outcomes : tuple
        Files of their entries (Path), or outcomes that are kept in none.
    """

    function: Callable[[Iterator[Any]], Any]
    outcomes: tuple[Any, ...]

    def make(self) -> Any:
        """The argument.

        Raises
        ------
        ProductError
            If a file is damaged.
        """
        return self.function(load_outcome(o) if isinstance(o, Path) else o for o in self.outcomes)


@dataclass(frozen=True)
class Task:
    """One call to make: a key that names it, and the arguments of the function.

    Arguments may be given by a function: it is called only when the turn of the task comes, so
    that those of a whole night need not be in memory at once.
    """

    key: str
    args: tuple[Any, ...] | Callable[[], tuple[Any, ...]]

    def arguments(self) -> tuple[Any, ...]:
        """Arguments of the function."""
        return self.args() if callable(self.args) else self.args


@dataclass(frozen=True)
class Outcome:
    """What became of a task: a value, or the reason why there is none.

    `lost_lines` counts raw lines that could not be read on the way, `raw_bytes` the raw pixels
    that were. `memory` is the most that the process held meanwhile, in MB; NaN where the system
    does not tell. `written` are products with size and checksum, taken where they were written.
    `disk_full` is true where there was no room for what it wrote, `stranger` where
    the worker is none that the work may be given to.
    """

    key: str
    value: Any
    error: str | None
    seconds: float
    lost_lines: int = 0
    raw_bytes: int = 0
    memory: float = float("nan")
    disk_full: bool = False
    stranger: bool = False
    written: dict[str, tuple[int, str]] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """True when the task returned a value."""
        return self.error is None


@dataclass(frozen=True)
class Terms:
    """On what terms a worker is given work: what it must have, and see.

    Parameters
    ----------
    environment : dict of str to str
        That of the process which hands out the work.
    paths : tuple of str
        Files and folders of the run.
    """

    environment: dict[str, str]
    paths: tuple[str, ...] = ()

    def find_faults(self) -> list[str]:
        """Why this process is not to be given work; empty where it is."""
        faults = environment.compare_environments(self.environment, _here())
        return faults or [
            f"{path} is not to be seen there" for path in self.paths if not Path(path).exists()
        ]


@cache
def _here() -> dict[str, str]:
    return environment.describe_environment()


def _reset_peak() -> None:
    """Let the system count the most memory of this process anew (Linux, proc(5))."""
    with suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def _peak() -> float:
    """Most memory of this process since then, MB."""
    try:
        text = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return float("nan")
    found = re.search(r"^VmHWM:\s+(\d+) kB", text, re.MULTILINE)
    return int(found[1]) * 1024 / 1e6 if found else float("nan")


_last: Callable[..., Any] | None = None


def _settle_memory(function: Callable[..., Any]) -> None:
    """Keep freed memory for the next task of a kind, and none of it for one of another."""
    global _last  # noqa: PLW0603 - memory is the process's, and so is this
    keep_freed_memory()
    if function is not _last:
        give_back_memory()
        _last = function


class _OneThread:
    """Keeps linear algebra to one thread, for as long as any task of this process runs.

    Another number of threads sums in another order, and the same strip would give other last
    digits here than there. The limit belongs to the process; tasks may share it.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._limits: Any = None

    def __enter__(self) -> None:
        with self._lock:
            if self._users == 0:
                self._limits = threadpool_limits(limits=1)
            self._users += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0:
                self._limits.restore_original_limits()


_one_thread = _OneThread()


def attempt_on_terms(
    terms: Terms, function: Callable[..., Any], key: str, args: tuple[Any, ...]
) -> Outcome:
    """Call a task on a worker, unless the worker is a stranger."""
    faults = terms.find_faults()
    if faults:
        here = _here()
        text = f"process {here['process']} on {here['host']}: {'; '.join(faults)}"
        return Outcome(key, None, text, 0.0, stranger=True)
    return attempt(function, key, args)


def attempt(function: Callable[..., Any], key: str, args: tuple[Any, ...]) -> Outcome:
    """Call and time a task; turn an exception into text, with the trace in the log."""
    begin = time.perf_counter()
    value, text, full = None, None, False
    _settle_memory(function)
    _reset_peak()
    with keep_tally() as tally:
        try:
            with _one_thread:
                value = function(*(a.make() if isinstance(a, Later) else a for a in args))
        except DriftloomError as error:
            text, full = f"{error}", no_room(error)
        except Exception as error:  # noqa: BLE001 - a task's failure must not stop the night
            logger.warning("%s failed:\n%s", key, traceback.format_exc())
            full = no_room(error)
            where = traceback.extract_tb(error.__traceback__)[-1]
            text = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
    seconds = time.perf_counter() - begin
    return Outcome(
        key, value, text, seconds, tally.lost_lines, tally.raw_bytes, memory=_peak(),
        disk_full=full, written=tally.written,
    )  # fmt: skip
