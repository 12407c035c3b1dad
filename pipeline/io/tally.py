"""Counts what a task reads of raw files, and what it could not read."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

__all__ = ["Tally", "count_reading", "note_lost", "note_read"]


@dataclass
class Tally:
    """What was read while it was in force.

    Parameters
    ----------
    raw_bytes : int
        Bytes of raw pixels that were handed out.
    lost_lines : int
        Lines that should be there and could not be read.
    """

    raw_bytes: int = 0
    lost_lines: int = 0


_tally: ContextVar[Tally | None] = ContextVar("tally", default=None)


@contextmanager
def count_reading() -> Iterator[Tally]:
    """Count the reading of raw pixels in the body, in this thread.

    Yields
    ------
    Tally
        Filled as the body goes on.
    """
    tally = Tally()
    token = _tally.set(tally)
    try:
        yield tally
    finally:
        _tally.reset(token)


def note_read(n_bytes: int) -> None:
    """Add bytes of raw pixels."""
    if (tally := _tally.get()) is not None:
        tally.raw_bytes += n_bytes


def note_lost(n_lines: int) -> None:
    """Add lines that could not be read."""
    if (tally := _tally.get()) is not None:
        tally.lost_lines += n_lines
