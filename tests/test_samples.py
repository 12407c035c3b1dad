"""The samples for unattended nights are sound, as far as can be told without an observatory."""

import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

CONFIGS = Path(__file__).parents[1] / "configs"
PROGRAM = "/opt/driftloom/bin/driftloom"


def test_units_of_the_service_manager(tmp_path):
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze here")
    for path in CONFIGS.glob("driftloom-night.[st][ei]*"):
        text = path.read_text()
        (tmp_path / path.name).write_text(text.replace(PROGRAM, shutil.which("true")))
    units = sorted(tmp_path.iterdir())
    assert [p.suffix for p in units] == [".service", ".timer"]
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *units],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    ours = [t for t in done.stderr.splitlines() if "driftloom" in t]
    assert not ours
    assert done.returncode == 0, done.stderr


def test_the_command_of_the_service_is_one_of_ours(tmp_path):
    (line,) = [
        t for t in (CONFIGS / "driftloom-night.service").read_text().splitlines()
        if t.startswith("ExecStart=")
    ]  # fmt: skip
    program, *arguments = shlex.split(line.removeprefix("ExecStart="))
    assert program == PROGRAM
    places = {"/etc/driftloom/observatory.toml": str(CONFIGS / "saltpan-ridge.toml")}
    arguments = [places.get(a, a.replace("/data", str(tmp_path))) for a in arguments]
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *arguments],
        cwd=CONFIGS.parent, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert f"{tmp_path / 'raw'}: no such folder" in " ".join(done.stderr.split())
    assert (tmp_path / "log" / "night.jsonl").exists()


@pytest.mark.parametrize("status", [0, 3])
def test_the_batch_script_hands_on_signals_and_goes_back_to_the_queue(tmp_path, status):
    script = CONFIGS / "driftloom-night.sbatch"
    subprocess.run(["bash", "-n", script], check=True)
    program = f"""echo $@ > {tmp_path}/told
        trap 'sleep 0.3; exit {status}' TERM
        touch {tmp_path}/ready
        while :; do sleep 0.05; done"""
    for name, text in (("driftloom", program), ("scontrol", f"echo $@ > {tmp_path}/queued")):
        (tmp_path / name).write_text(f"#!/bin/bash\n{text}\n")
        (tmp_path / name).chmod(0o755)
    run = subprocess.Popen(
        ["bash", script],
        env={**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}", "SLURM_JOB_ID": "7",
             "DRIFTLOOM": str(tmp_path / "driftloom"), "SLURM_CPUS_PER_TASK": "8",
             "CONFIG": "c.toml", "RAW": "r", "PRODUCTS": "p"},
    )  # fmt: skip
    end = time.monotonic() + 20
    while not (tmp_path / "ready").exists():
        assert time.monotonic() < end
        time.sleep(0.02)
    run.send_signal(signal.SIGTERM)
    assert run.wait(timeout=20) == status
    assert (tmp_path / "told").read_text() == "reduce c.toml r p --workers 8\n"
    assert (tmp_path / "queued").exists() == (status == 3)
