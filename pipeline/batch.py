"""A batch queue in the words of dask-jobqueue; it is made use of in `pipeline.graph`."""

from typing import Any

from pipeline.config import ClusterConfig

__all__ = ["MEMORY", "job_options"]

# dask lets workers give memory back to the system whenever 64 KiB of it are free: every array of
# some size then costs page faults, and a fit a quarter more time. (glibc, mallopt(3).)
MEMORY = {"MALLOC_TRIM_THRESHOLD_": 64 << 20, "MALLOC_MMAP_THRESHOLD_": 32 << 20}


def job_options(queue: ClusterConfig) -> dict[str, Any]:
    """What dask-jobqueue is told, in its words.

    Parameters
    ----------
    queue : ClusterConfig
        The table of the configuration file, in ours.

    Returns
    -------
    dict
        Keywords of the class for this kind of queue.
    """
    options: dict[str, Any] = {
        "cores": queue.workers_per_job, "processes": queue.workers_per_job,
        "memory": queue.memory, "job_name": "driftloom",
        "scheduler_options": {"dashboard_address": ":0"},
    }  # fmt: skip
    # How dask takes its configuration from the environment: what the shell gives to the worker
    # itself, dask would set again.
    memory = f'export DASK_DISTRIBUTED__NANNY__PRE_SPAWN_ENVIRON="{MEMORY}"'
    account = "project" if queue.type in {"lsf", "oar", "sge"} else "account"
    given = {
        "walltime": queue.time_limit, "queue": queue.partition, account: queue.account,
        "interface": queue.network, "log_directory": queue.log_folder,
        "local_directory": queue.scratch_folder, "job_script_prologue": [*queue.setup, memory],
        "job_extra_directives": list(queue.requests),
    }  # fmt: skip
    return {**options, **{k: v for k, v in given.items() if v}, **queue.options}
