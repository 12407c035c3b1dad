"""Worker processes on this machine: copies of one process that has loaded what tasks need.

Started one by one, every worker would load the same libraries for seconds, and this process its
own beside them. What is to be copied begins while this process still reads its input.
"""

import multiprocessing
import os
from multiprocessing import forkserver

__all__ = ["WORKER_MODULE", "begin_workers", "count_workers", "start_method"]

WORKER_MODULE = "pipeline.worker"
_COPIES = "forkserver"
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def count_workers(asked: int) -> int:
    """Worker processes: as many as asked for, one for each core where that is 0."""
    return asked if asked > 0 else (os.cpu_count() or 1)


def start_method() -> str:
    """How multiprocessing is to start a worker; Windows has no copies."""
    return _COPIES if _COPIES in multiprocessing.get_all_start_methods() else "spawn"


def begin_workers() -> None:
    """Begin to load what workers need, beside this process."""
    # One thread a worker: numba and BLAS threads of their own would fight over the same cores.
    for name in _THREADS:
        os.environ.setdefault(name, "1")
    if start_method() == _COPIES:
        multiprocessing.get_context(_COPIES).set_forkserver_preload([WORKER_MODULE])
        forkserver.ensure_running()
