"""A scheduler and workers of their own: a whole run on them, and what is lost when they are."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import uuid
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from distributed import Client

from pipeline.attempt import Task
from pipeline.errors import BrokenOffError, ConfigError
from pipeline.graph import open_runner
from pipeline.io.ledger import read_ledger

pytestmark = pytest.mark.xdist_group("reduction")
ROOT = Path(__file__).parents[1]


WITHOUT_STACKS = ("strips", "tiles", "calibration", "summaries")


@pytest.fixture
def nights(small, tmp_path):
    """A copy of the small observatory; without stacks, which cost half of the time."""
    shutil.copytree(small / "raw", tmp_path / "raw")
    shutil.copy2(small / "reference.fits", tmp_path)
    text = (small / "observatory.toml").read_text()
    assert "[stack]" not in text
    (tmp_path / "observatory.toml").write_text(f"{text}\n[stack]\nmin_epochs = 3\n")
    return tmp_path


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def launch(*arguments, path=(), cwd=ROOT, environment=(), **rest):
    """Start a command of Python's, with this checkout to import from."""
    places = [*map(str, path), str(ROOT), os.environ.get("PYTHONPATH", "")]
    environment = {
        **os.environ, "PYTHONPATH": os.pathsep.join(filter(None, places)), **dict(environment),
    }  # fmt: skip
    return subprocess.Popen(
        [sys.executable, "-m", *map(str, arguments)], env=environment, cwd=cwd,
        stdin=subprocess.DEVNULL, text=True,
        **{"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, **rest},
    )  # fmt: skip


def wait_for(condition, *, seconds=240, alive=None):
    begin = time.monotonic()
    while not (found := condition()):
        assert alive is None or alive.poll() is None, alive.communicate()
        assert time.monotonic() - begin < seconds
        time.sleep(0.05)
    return found


@contextmanager
def ending(processes):
    """End what is still there, whatever happens."""
    try:
        yield processes
    finally:
        for process in processes:
            if process.poll() is None:
                process.kill()
            process.wait()


def start_scheduler(port):
    return launch(
        "dask", "scheduler", "--host", "127.0.0.1", "--port", port,
        "--dashboard-address", "127.0.0.1:0",
    )  # fmt: skip


def start_worker(address, folder, **rest):
    """A worker without anybody who would start it again; what it says is in its folder."""
    with (Path(folder) / f"worker-{uuid.uuid4().hex[:6]}.log").open("w") as said:
        return launch(
            "dask", "worker", address, "--nthreads", 1, "--no-nanny", "--host", "127.0.0.1",
            "--no-dashboard", "--local-directory", folder, stdout=said, stderr=said, **rest,
        )  # fmt: skip


def connect(address):
    return wait_for(lambda: _try(address), seconds=60)


def _try(address):
    try:
        return Client(address, timeout="1s")
    except OSError:
        return None


def reduce(folder, address, **rest):
    return launch(
        "pipeline.cli", "reduce", folder / "observatory.toml", folder / "raw",
        folder / "products", "--scheduler", address,
        **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **rest},
    )  # fmt: skip


def steps_begun(products):
    path = products / "ledger.jsonl"
    rows = read_ledger(path) if path.exists() else []
    return {(r["night"], r["step"]) for r in rows if r["state"] == "begun"}


@pytest.mark.slow
def test_a_worker_and_then_the_scheduler_are_lost(nights, reduced, assert_same_products):
    """SIGKILL of a worker that searches a block, then of the scheduler; a new one takes over."""
    products = nights / "products"
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    with ending([start_scheduler(port)]) as processes:
        scheduler = processes[0]
        workers = [start_worker(address, nights) for _ in range(2)]
        run = reduce(nights, address)
        processes += [*workers, run]
        with connect(address) as client:

            def searching():
                return [w for w, keys in client.processing().items()
                        if any(str(k).startswith("search-") for k in keys)]  # fmt: skip

            wait_for(lambda: len(client.nthreads()) == 2, alive=run)
            numbers = client.run(os.getpid)
            os.kill(numbers[wait_for(searching, alive=run)[0]], signal.SIGKILL)
        lost = wait_for(lambda: [w for w in workers if w.poll() is not None])
        assert len(lost) == 1
        wait_for(lambda: ("2025-03-03", "point spread") in steps_begun(products), alive=run)
        scheduler.kill()
        _, said = run.communicate(timeout=120)
        assert run.returncode == 3, said
        assert "the scheduler is lost" in said
        assert "the same command" in said
        assert "Traceback" not in said
        assert not (products / "run.lock").exists()
        assert not list(products.rglob("*.partial"))
        last = read_ledger(products / "ledger.jsonl")[-1]
        assert (last["step"], last["state"]) == ("run", "failed")

        port = free_port()
        address = f"tcp://127.0.0.1:{port}"
        processes += [start_scheduler(port), *(start_worker(address, nights) for _ in range(2))]
        again = reduce(nights, address)
        processes.append(again)
        out, said = again.communicate(timeout=300)
        assert again.returncode == 0, said
        assert f"Workers of the scheduler at {address}; dashboard: http://127.0.0.1:" in out
    rows = read_ledger(products / "ledger.jsonl")
    mine = rows[
        max(i for i, r in enumerate(rows) if r["step"] == "run" and r["state"] == "begun") :
    ]
    redone = {(r["night"], r["step"]) for r in mine if r["state"] == "ok"}
    assert ("2025-03-02", "point spread") not in redone  # a night that was done is not done again
    assert all(r["memory"] > 50 for r in mine if r["step"] == "tiles" and r["state"] == "ok")
    assert_same_products(products, reduced[0], parts=WITHOUT_STACKS)


@pytest.mark.slow
@pytest.mark.slurm
def test_two_nights_through_a_real_slurm(nights, reduced, measuring, assert_same_products):
    """Workers are jobs of a queue; one is cancelled while it works, and another takes its place."""
    debian, slurm = measuring("debian"), measuring("slurm_node")
    products = nights / "products"
    with (nights / "observatory.toml").open("a") as stream:
        stream.write(
            '[cluster]\ntype = "slurm"\njobs = 2\nmemory = "2GB"\npartition = "night"\n'
            'time_limit = "0:30:00"\nnetwork = "lo"\npatience = 120.0\n'
            f'log_folder = "{nights}/jobs"\nscratch_folder = "{nights}/scratch"\n'
            'requests = ["--no-requeue"]\nsetup = ["export DRIFTLOOM_TEST=1"]\n'
        )
    # Sockets have short names, and tests long ones.
    with tempfile.TemporaryDirectory(prefix="slurm-") as folder, ExitStack() as stack:
        try:
            debian.install(slurm.PROGRAMS, slurm.PACKAGES)
            environment = stack.enter_context(slurm.run_slurm(Path(folder), cores=2))
        except (debian.NotHere, slurm.NoSlurm) as reason:
            pytest.skip(f"no Slurm here: {reason}")
        run = launch(
            "pipeline.cli", "reduce", nights / "observatory.toml", nights / "raw", products,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            environment={"SLURM_CONF": environment["SLURM_CONF"]},
        )  # fmt: skip
        stack.enter_context(ending([run]))

        def ask(*command):
            return subprocess.run(
                command, env=environment, capture_output=True, text=True, check=True
            ).stdout.split()

        wait_for(lambda: ("2025-03-02", "search") in steps_begun(products), alive=run)
        first = ask("squeue", "-h", "-t", "running", "-o", "%A")
        assert ask("squeue", "-h", "-o", "%j") == ["driftloom"] * 2
        ask("scancel", "-s", "KILL", "-f", first[0])
        out, said = run.communicate(timeout=400)
        assert run.returncode == 0, said
        assert "2 job(s) handed to the slurm queue; dashboard: http://127.0.0.1:" in out
        assert "failed" not in said
        wait_for(lambda: not ask("squeue", "-h", "-o", "%A"), seconds=30)  # none is left behind
        script = next((nights / "jobs").glob("driftloom-*.err"))
        assert "Start worker" in script.read_text()
    assert_same_products(products, reduced[0], parts=WITHOUT_STACKS)


@pytest.fixture(scope="module")
def alone():
    """A scheduler without workers."""
    port = free_port()
    with ending([start_scheduler(port)]):
        address = f"tcp://127.0.0.1:{port}"
        connect(address).close()
        yield address


def test_a_worker_with_other_versions_is_named_before_the_work(alone, tmp_path):
    """Another numpy by its metadata, and another source of ours."""
    fake = tmp_path / "numpy-1.0.0.dist-info"
    fake.mkdir()
    (fake / "METADATA").write_text("Metadata-Version: 2.1\nName: numpy\nVersion: 1.0.0\n")
    shutil.copytree(
        ROOT / "pipeline", tmp_path / "pipeline", ignore=shutil.ignore_patterns("__pycache__")
    )
    with (tmp_path / "pipeline" / "plan.py").open("a") as stream:
        stream.write("# another plan\n")
    with ending([start_worker(alone, tmp_path, path=[tmp_path], cwd=tmp_path)]) as (worker,):
        with (
            pytest.raises(ConfigError) as caught,
            open_runner(workers=1, scheduler=alone),
        ):
            pass
        text = str(caught.value)
        assert f"process {worker.pid} on {socket.gethostname()}" in text
        assert "numpy 1.0.0 there, 2." in text
        assert "driftloom 0." in text
        assert "scipy" not in text
        assert "Install the same versions there, restart the workers" in text


def test_a_scheduler_without_workers_and_one_that_joins_late(alone, tmp_path, monkeypatch):
    from pipeline import graph

    monkeypatch.setattr(graph, "_NO_WORKER", 1.0)
    with (
        pytest.raises(
            ConfigError, match=r"no worker came within 1 s; start some: `dask worker tcp"
        ),
        open_runner(workers=1, scheduler=alone),
    ):
        pass
    monkeypatch.setattr(graph, "_NO_WORKER", 60.0)
    with (
        ending([start_worker(alone, tmp_path)]) as processes,
        open_runner(workers=1, scheduler=alone) as runner,
    ):
        runner.require([tmp_path])
        assert runner.run(os.getpid, [Task("a", ())], label="here")["a"].value == processes[0].pid
        with pytest.raises(ConfigError, match=r"worker tcp.*nowhere is not to be seen there"):
            runner.require([tmp_path, tmp_path / "nowhere"])
        # Another one takes its place meanwhile, and is not what the work may be given to.
        processes[0].kill()
        fake = tmp_path / "sep-0.1.dist-info"
        fake.mkdir()
        (fake / "METADATA").write_text("Metadata-Version: 2.1\nName: sep\nVersion: 0.1\n")
        runner._terms = graph.Terms(runner._terms.environment)
        processes.append(start_worker(alone, tmp_path, path=[tmp_path]))
        with pytest.raises(BrokenOffError, match=r"sep 0\.1 there, 1.*what is finished is kept"):
            runner.run(os.getpid, [Task("b", ())], label="there")
