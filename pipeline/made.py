"""What a step of a run is asked for, and what it gives: kept on disk, read where it is needed."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.attempt import Later
from pipeline.recipes import Recipe
from pipeline.strip import Strip

__all__ = [
    "Job", "Made", "StripMade", "Work", "blocks_of", "call", "no_products", "same", "strip_slot",
]  # fmt: skip


@dataclass(frozen=True)
class Job:
    """A task, where its outcome is kept, and what decides about it.

    Parameters
    ----------
    slot : str
        Place in the store.
    recipe : Recipe
        What the outcome must have been made with.
    arguments : callable
        Gives the arguments of the task; called only when it is done.
    night, strip : str
        What it is about.
    block : tuple of int, optional
        Half-open range of lines.
    complaint : str
        Begins the message of a failure; made from the rest when empty.
    """

    slot: str
    recipe: Recipe
    arguments: Callable[[], tuple[Any, ...]]
    night: str
    strip: str
    block: tuple[int, int] | None = None
    complaint: str = ""


def same(value: Any) -> Any:
    """An outcome that is kept as it is."""
    return value


def nothing(_: Any) -> dict[str, Any]:
    """No facts are noted with an outcome."""
    return {}


def no_products(_: Any) -> Iterable[Path]:
    """No files are written with an outcome."""
    return ()


def call(function: Callable[..., Any], *args: Any) -> Any:
    """Task of which each call has a function of its own."""
    return function(*args)


@dataclass(frozen=True)
class Work:
    """The jobs of a step, and what is done with what they give.

    Parameters
    ----------
    name : str
        As in the ledger.
    function : callable
        Of the tasks.
    jobs : sequence of Job
        What is wanted.
    label : str
        For the display of progress.
    common : tuple
        Arguments that all tasks share.
    pack, unpack : callable
        Turn an outcome into what is kept, and back: no path of this folder may be kept.
    facts, products : callable
        What is noted with an outcome, and the files written with it.
    """

    name: str
    function: Callable[..., Any]
    jobs: Sequence[Job]
    label: str
    common: tuple[Any, ...] = ()
    pack: Callable[[Any], Any] = same
    unpack: Callable[[Any], Any] = same
    facts: Callable[[Any], Mapping[str, Any]] = nothing
    products: Callable[[Any], Iterable[Path]] = no_products


class Made:
    """An outcome at hand or on disk, read when it is asked for.

    Parameters
    ----------
    key : str
        What the recipes of later steps quote.
    facts : mapping
        What is known of it without reading it.
    load : callable, optional
        Reads it; absent where it is only planned.
    path : Path, optional
        File that it is kept in; absent where it is only planned, or not to be used again.
    """

    def __init__(
        self,
        key: str,
        facts: Mapping[str, Any],
        load: Callable[[], Any] | None = None,
        path: Path | None = None,
    ) -> None:
        self.key = key
        self.facts = facts
        self._load = load
        self._path = path
        self._value: Any = None
        self._known = False

    def __repr__(self) -> str:
        return f"<Made {self.key[:8]}, {'planned' if self.planned else 'done'}>"

    @property
    def planned(self) -> bool:
        """True where nothing was done yet, in a run that only looks."""
        return self._load is None

    @property
    def value(self) -> Any:
        """The outcome."""
        assert self._load is not None
        if not self._known:
            self._value, self._known = self._load(), True
        return self._value

    def hold(self, value: Any) -> None:
        """Have the outcome at hand, as it was made."""
        self._value, self._known = value, True

    def release(self) -> None:
        """Forget the outcome until it is asked for again."""
        self._value, self._known = None, False

    @property
    def source(self) -> Any:
        """The file of the outcome as it is kept, or the outcome where it has none."""
        return self.value if self._path is None else self._path

    def later(self) -> Later:
        """Argument of a task that is the outcome as it is kept, read where the task runs."""
        return Later(next, (self.source,))


@dataclass(frozen=True)
class StripMade:
    """Outcomes of the blocks of a strip, in order of line.

    Parameters
    ----------
    key : str
        What the recipes of later steps quote; it does not depend on how the strip is cut.
    blocks : tuple of Made
        Those that there are.
    n_missing : int
        Blocks that failed.
    """

    key: str
    blocks: tuple[Made, ...]
    n_missing: int

    @property
    def values(self) -> list[Any]:
        """Outcomes of all blocks."""
        return [b.value for b in self.blocks]

    def later(self, function: Callable[[Iterator[Any]], Any]) -> Later:
        """Argument of a task that is ``function(outcomes)``, made where that task runs."""
        return Later(function, tuple(b.source for b in self.blocks))

    def release(self) -> None:
        """Forget the outcomes until they are asked for again."""
        for block in self.blocks:
            block.release()


def blocks_of(strip: Strip, block_lines: int) -> list[tuple[int, int]]:
    """Half-open ranges of lines that cut a strip into blocks.

    Parameters
    ----------
    strip : Strip
        The strip.
    block_lines : int
        A multiple of 256.

    Returns
    -------
    list of (int, int)
    """
    return [
        (start, min(start + block_lines, strip.n_lines))
        for start in range(0, strip.n_lines, block_lines)
    ]


def strip_slot(strip: Strip, step: str) -> str:
    """Slot of a step of a strip."""
    return f"{strip.night}/{strip.name}/{step}"
