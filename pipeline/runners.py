"""How tasks are run, wherever they run; and here, one after the other. No dask in it."""

from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Protocol

from pipeline.attempt import Outcome, Task, attempt
from pipeline.stopping import check_stop

__all__ = ["InlineRunner", "NoProgress", "OnOutcome", "Progress", "Runner", "collect"]


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

    def require(self, paths: Sequence[Path]) -> None:
        """Make sure that all workers see files and folders.

        Raises
        ------
        ConfigError
            If one does not.
        """


def collect(
    outcomes: Generator[Outcome, None, None],
    *,
    label: str,
    total: int,
    progress: Progress,
    on_outcome: OnOutcome | None,
) -> dict[str, Outcome]:
    """Outcomes by key as they come in, shown and handed on.

    Parameters
    ----------
    outcomes : generator of Outcome
        Closed at the end, whatever happens.
    label : str
        For the display of progress.
    total : int
        So many are expected.
    progress : Progress
        Where it is shown.
    on_outcome : callable or None
        Called with each.
    """
    progress.start(label, total)
    done: dict[str, Outcome] = {}
    try:
        with closing(outcomes):
            for outcome in outcomes:
                done[outcome.key] = outcome
                if on_outcome is not None:
                    on_outcome(outcome)
                progress.advance()
    finally:
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
        """Call ``function(*common, *task.args)`` for every task, one after the other.

        Raises
        ------
        Stopped
            If the run is asked to stop: between two tasks.
        """

        def outcomes() -> Generator[Outcome, None, None]:
            for task in tasks:
                check_stop()
                yield attempt(function, task.key, (*common, *task.arguments()))

        return collect(
            outcomes(),
            label=label,
            total=len(tasks),
            progress=self._progress,
            on_outcome=on_outcome,
        )

    def require(self, paths: Sequence[Path]) -> None:
        """Do nothing: this process looks for itself."""
