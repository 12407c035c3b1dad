"""How the C library gives memory back that arrays no longer need (glibc; nothing elsewhere).

By default every array of some hundred kilobytes is taken from the system and given back to it, and
dask lets its workers give back whatever 64 KiB are free. Each page then comes as a fault, again and
again: a fit took a quarter more time. Kept within bounds, memory is used again as it is.
"""

import ctypes
from functools import cache

__all__ = ["keep_freed_memory"]

# mallopt(3): numbers of its parameters, and from which size on memory goes back.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_TRIM, _MMAP = 8 << 20, 4 << 20


@cache
def keep_freed_memory() -> bool:
    """Set the bounds for this process, once.

    Returns
    -------
    bool
        Whether the C library took them.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # musl, macOS and Windows have none
        return False
    mallopt.argtypes, mallopt.restype = (ctypes.c_int, ctypes.c_int), ctypes.c_int
    taken = [mallopt(_TRIM_THRESHOLD, _TRIM), mallopt(_MMAP_THRESHOLD, _MMAP)]
    return all(taken)
