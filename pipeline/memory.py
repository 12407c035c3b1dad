"""What looks after memory: the C library's store of freed arrays, and Python's look for garbage.

By default every array of some hundred kilobytes is taken from the system and given back to it, and
dask has its workers give back whatever 64 KiB are free. Each page then comes as a fault, again and
again: a fit took a quarter more time. Kept within bounds, memory is used again as it is. What one
kind of task leaves is of little use to the next, which wants pieces of other sizes: between two
kinds it is given back, or what a long strip needed once would stay with a worker for good. That is
glibc's alone.
"""

import ctypes
import gc
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

__all__ = ["give_back_memory", "keep_freed_memory", "undisturbed"]

# mallopt(3): numbers of its parameters, and from how much free memory on it goes back.
_TRIM_THRESHOLD, _MMAP_MAX, _ARENA_MAX = -1, -4, -8
_TRIM = 1 << 30


@cache
def _library() -> Any:
    """The C library of this process; None where it has not these functions."""
    try:
        library = ctypes.CDLL(None)
        library.mallopt.argtypes = (ctypes.c_int, ctypes.c_int)
        library.malloc_trim.argtypes = (ctypes.c_size_t,)
    except (AttributeError, OSError, TypeError):  # musl, macOS and Windows
        return None
    return library


@cache
def keep_freed_memory() -> bool:
    """Set the bounds for this process, once.

    Returns
    -------
    bool
        Whether the C library took them.
    """
    library = _library()
    if library is None:
        return False
    settings = {
        # No piece comes from the system by itself and goes back there when it falls free: above 32
        # MiB, which the pixels of a block exceed, no threshold would keep it.
        _TRIM_THRESHOLD: _TRIM, _MMAP_MAX: 0,
        # Threads that begin from now on share one store: in one of their own, which is made of
        # pieces of 64 MiB, every piece that falls free goes back at once.
        _ARENA_MAX: 1,
    }  # fmt: skip
    taken = [library.mallopt(name, value) for name, value in settings.items()]
    return all(taken)


def give_back_memory() -> None:
    """Give all freed memory back to the system (malloc_trim(3))."""
    if (library := _library()) is not None:
        library.malloc_trim(0)


@contextmanager
def undisturbed() -> Iterator[None]:
    """No look for garbage while modules load, and none at their objects later.

    Modules are hundreds of thousands of objects, which stay. To look through them every few hundred
    objects takes a quarter of the time that they need to load, and once more when the process ends
    half a second; copies of a process that has loaded them share their pages as long as nobody
    looks.
    """
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
