"""What local worker processes load, once for all (`pipeline.local`), before they are given work.

Every worker has what tasks need at once, rather than one of them while the others wait for it.
"""

from pipeline.memory import keep_freed_memory, undisturbed

with undisturbed():
    import pipeline.nightly
    import pipeline.tiling  # noqa: F401 - both for the tasks that they bring with them

__all__: list[str] = []

keep_freed_memory()  # before there are threads
