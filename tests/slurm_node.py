"""A Slurm of one node on this machine, for tests: its daemons, its folder, nothing else touched.

It needs Debian's packages `slurmctld`, `slurmd`, `slurm-client` and `munge`, and root; keys,
sockets, states and logs are in a folder of their own.
"""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["PACKAGES", "PROGRAMS", "NoSlurm", "run_slurm"]

PROGRAMS = ("slurmctld", "slurmd", "sbatch", "squeue", "sinfo", "munged")
PACKAGES = ("slurmctld", "slurmd", "slurm-client", "munge")
START_TIME = 60  # s

CONFIGURATION = """\
ClusterName=one
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={controller_port}
SlurmdPort={node_port}
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CryptoType=crypto/munge
SlurmUser=root
SlurmdUser=root
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
SchedulerParameters=sched_interval=2
ReturnToService=2
SwitchType=switch/none
MpiDefault=none
AccountingStorageType=accounting_storage/none
JobAcctGatherType=jobacct_gather/none
NodeName={host} NodeAddr=127.0.0.1 CPUs={cores} RealMemory={memory} State=UNKNOWN
PartitionName=night Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""


class NoSlurm(Exception):  # noqa: N818 - a reason to leave a test out
    """Slurm cannot be had here; the text says why."""


def check_machine() -> None:
    """Make sure that a node may be started here.

    Raises
    ------
    NoSlurm
        If it may not.
    """
    if not sys.platform.startswith("linux"):
        msg = f"Slurm runs on Linux only, not on {sys.platform}"
        raise NoSlurm(msg)
    if os.geteuid():
        msg = "a node of Slurm must be started as root"
        raise NoSlurm(msg)


def free_ports(count: int) -> list[int]:
    """Ports of loopback that nobody uses."""
    ends = [socket.socket() for _ in range(count)]
    for end in ends:
        end.bind(("127.0.0.1", 0))
    ports = [end.getsockname()[1] for end in ends]
    for end in ends:
        end.close()
    return ports


@contextmanager
def run_slurm(folder: Path, *, cores: int) -> Iterator[dict[str, str]]:
    """Run the daemons while the body runs.

    Parameters
    ----------
    folder : Path
        Empty, below folders that everybody may enter.
    cores : int
        Told to Slurm, whatever the machine has.

    Yields
    ------
    dict of str to str
        Environment for programs that submit jobs.

    Raises
    ------
    NoSlurm
        If Slurm cannot be had here.
    RuntimeError
        If it does not start.
    """
    check_machine()
    controller_port, node_port = free_ports(2)
    host = socket.gethostname().split(".")[0]
    for name in ("state", "spool"):
        (folder / name).mkdir()
    key = folder / "munge.key"
    key.write_bytes(os.urandom(128))
    key.chmod(0o600)
    configuration = folder / "slurm.conf"
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2**20 // 2
    configuration.write_text(
        CONFIGURATION.format(
            host=host, folder=folder, controller_port=controller_port, node_port=node_port,
            cores=cores, memory=memory,
        )
    )  # fmt: skip
    environment = {**os.environ, "SLURM_CONF": str(configuration)}
    commands = [
        ["munged", "--foreground", "--force", f"--socket={folder}/munge.socket",
         f"--key-file={key}", f"--log-file={folder}/munge.log",
         f"--pid-file={folder}/munge.pid", f"--seed-file={folder}/munge.seed"],
        ["slurmctld", "-D", "-f", str(configuration)],
        ["slurmd", "-D", "-f", str(configuration), "-N", host],
    ]  # fmt: skip
    daemons: list[subprocess.Popen[bytes]] = []
    try:
        for command in commands:
            with (folder / f"{command[0]}.out").open("wb") as said:
                daemons.append(subprocess.Popen(command, env=environment, stdout=said, stderr=said))
            if command[0] == "munged":
                _wait((folder / "munge.socket").exists, daemons, folder)
        _wait(lambda: "idle" in _ask(environment, "sinfo", "-h", "-o", "%T"), daemons, folder)
        yield environment
    finally:
        _ask(environment, "scancel", "--quiet", "--partition=night")
        for daemon in reversed(daemons):
            daemon.terminate()
        for daemon in daemons:
            try:
                daemon.wait(timeout=15)
            except subprocess.TimeoutExpired:
                daemon.kill()
                daemon.wait()


def _ask(environment: dict[str, str], *command: str) -> str:
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    return done.stdout


def _wait(condition, daemons, folder: Path) -> None:
    end = time.monotonic() + START_TIME
    while not condition():
        ended = [d.args[0] for d in daemons if d.poll() is not None]
        if ended or time.monotonic() > end:
            logs = "\n".join(
                f"{p.name}: {p.read_text(errors='replace')[-1500:]}"
                for p in sorted(folder.glob("*.*")) if p.suffix in {".log", ".out"}
            )  # fmt: skip
            msg = f"Slurm does not start ({', '.join(ended) or 'no node is idle'}):\n{logs}"
            raise RuntimeError(msg)
        time.sleep(0.2)
