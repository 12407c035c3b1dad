"""A batch queue in the words of dask-jobqueue; it is made use of in `pipeline.graph`."""

from typing import Any

from pipeline.config import ClusterConfig

__all__ = ["QUIET", "job_options"]

# Workers compute in one thread each and hold little else. By default dask looks at them, and they
# at themselves, up to a hundred times a second, each time interrupting what computes: on a night
# whose tasks take a second or less, a tenth of all processor time.
QUIET = {
    "distributed.worker.profile.enabled": "False",
    "distributed.worker.memory.monitor-interval": "500ms",
    "distributed.admin.tick.interval": "2s",
    "distributed.admin.tick.limit": "10s",
    "distributed.admin.system-monitor.interval": "5s",
    "distributed.admin.system-monitor.disk": "False",
    "distributed.admin.system-monitor.gil.enabled": "False",
}


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
    quiet = [
        f"export DASK_{key.replace('.', '__').replace('-', '_').upper()}={value}"
        for key, value in QUIET.items()
    ]
    account = "project" if queue.type in {"lsf", "oar", "sge"} else "account"
    given = {
        "walltime": queue.time_limit, "queue": queue.partition, account: queue.account,
        "interface": queue.network, "log_directory": queue.log_folder,
        "local_directory": queue.scratch_folder, "job_script_prologue": [*quiet, *queue.setup],
        "job_extra_directives": list(queue.requests),
    }  # fmt: skip
    return {**options, **{k: v for k, v in given.items() if v}, **queue.options}
