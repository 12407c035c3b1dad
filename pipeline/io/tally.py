"""Counts what a task reads of raw files, what it could not read, and what it wrote."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Tally", "keep_tally", "note_lost", "note_read", "note_written"]


@dataclass
class Tally:
    """What was read and written while it was in force.

    Parameters
    ----------
    raw_bytes : int
        Bytes of raw pixels that were handed out.
    lost_lines : int
        Lines that should be there and could not be read.
    written : dict of str to (int, str)
        Products whose fingerprint was taken while they were written: path to size and fingerprint.
    """

    raw_bytes: int = 0
    lost_lines: int = 0
    written: dict[str, tuple[int, str]] = field(default_factory=dict)


_tally: ContextVar[Tally | None] = ContextVar("tally", default=None)


@contextmanager
def keep_tally() -> Iterator[Tally]:
    """Count what the body reads and writes, in this thread.

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


def note_written(path: Path, size: int, fingerprint: str) -> None:
    """Add a product and its fingerprint (as of `pipeline.io.fingerprint`)."""
    if (tally := _tally.get()) is not None:
        tally.written[str(path)] = (size, fingerprint)
