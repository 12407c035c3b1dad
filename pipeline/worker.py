"""What local worker processes load, once for all (`pipeline.local`), before dask gives out work.

Every worker has what tasks need at once, rather than one of them while the others wait for
it. What dask says when a worker and its scheduler part in no particular order, it keeps to itself:
a worker that is lost in earnest is told by the process that gives out the work.
"""

import logging

import pipeline.nightly
import pipeline.tiling  # noqa: F401 - both for the tasks that they bring with them
from pipeline.memory import keep_freed_memory

__all__: list[str] = []

keep_freed_memory()  # before there are threads

for _name in ("distributed.worker", "distributed.core"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)
