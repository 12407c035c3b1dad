"""How tasks are run, wherever they run; and here, one after the other. No dask in it."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Protocol

from pipeline.attempt import Outcome, Task, attempt
from pipeline.stopping import check_stop

__all__ = ["InlineRunner", "NoProgress", "OnOutcome", "Progress", "Runner"]


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


class Runner(ABC):
    """Runs many calls of one function.

    Parameters
    ----------
    progress : Progress, optional
        Where progress is shown.
    """

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
        """Call ``function(*common, *task.args)`` for every task; outcomes by key.

        ``on_outcome`` is called in this process with each outcome as it comes in.

        Raises
        ------
        Stopped
            If the run is asked to stop. Tasks that run are waited for, others are not begun.
        BrokenOffError
            If those that do the work are lost for good.
        """
        self._progress.start(label, len(tasks))
        done: dict[str, Outcome] = {}
        try:
            # Closed at the end, whatever happens.
            with closing(self.outcomes(function, tasks, label=label, common=common)) as outcomes:
                for outcome in outcomes:
                    done[outcome.key] = outcome
                    if on_outcome is not None:
                        on_outcome(outcome)
                    self._progress.advance()
        finally:
            self._progress.finish()
        return done

    @abstractmethod
    def outcomes(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...],
    ) -> Generator[Outcome, None, None]:
        """Outcomes of `run` as they come in; closed early, no further task is begun."""

    def require(self, paths: Sequence[Path]) -> None:
        """Make sure that all workers see files and folders: those on this machine do.

        Raises
        ------
        ConfigError
            If one elsewhere does not.
        """
        del paths


class InlineRunner(Runner):
    """Runs every task in this process, in order."""

    def outcomes(
        self,
        function: Callable[..., Any],
        tasks: Sequence[Task],
        *,
        label: str,
        common: tuple[Any, ...],
    ) -> Generator[Outcome, None, None]:
        """Outcomes one after the other; asked to stop, it does between two tasks."""
        del label
        for task in tasks:
            check_stop()
            yield attempt(function, task.key, (*common, *task.arguments()))
