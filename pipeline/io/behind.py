"""Writing behind: while one file goes to the disk, the next is computed."""

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import copy_context
from functools import partial
from typing import Any

__all__ = ["write_behind"]


@contextmanager
def write_behind() -> Iterator[Callable[..., None]]:
    """Give a function that calls another in a thread of its own, one call after the other.

    A second call waits for the end of the first, so that no more than two files' pixels are in
    memory; leaving waits for the last. What a call raises comes out of the next one, or of the
    body's end; where the body itself fails, its own error does.

    Yields
    ------
    callable
        Takes a function and its arguments.
    """
    pending: Future[Any] | None = None
    with ThreadPoolExecutor(1) as pool:

        def write(function: Callable[..., Any], *args: Any, **keywords: Any) -> None:
            nonlocal pending
            if pending is not None:
                pending.result()
            # What is tallied there belongs to this task.
            pending = pool.submit(copy_context().run, partial(function, *args, **keywords))

        yield write
        if pending is not None:
            pending.result()
