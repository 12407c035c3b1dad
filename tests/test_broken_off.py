"""A run that cannot go on, or is told not to: what it says, what it leaves, and that it goes on."""

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ProductError
from pipeline.io.ledger import read_ledger
from pipeline.io.runlock import hold_lock

pytestmark = pytest.mark.xdist_group("reduction")
ROOT = Path(__file__).parents[1]
NIGHT = "2025-03-02"
LEAVE = """
import os, sys
from pipeline.io.runlock import hold_lock
with hold_lock(sys.argv[1]):
    print(os.getpid(), flush=True)
    os._exit(9)
"""
DENIED = """
import os, sys
from pathlib import Path
from pipeline import cli, graph, reduction
from pipeline.report import page
if os.geteuid() == 0:
    os.seteuid(65534)  # the system lets root read and write everything
cli.main()
"""


@contextmanager
def small_disk(folder, megabytes):
    """A file system of its own of so many megabytes; gives the function that makes it larger."""
    if os.geteuid() or shutil.which("mount") is None:
        pytest.skip("a disk of a size of its own needs root and `mount`")
    folder.mkdir()

    def mount(size, *options):
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", ",".join((f"size={size}m", *options)), "tmpfs", folder],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            pytest.skip(f"no file system can be mounted here: {done.stderr.strip()}")

    mount(megabytes)
    try:
        yield lambda size: mount(size, "remount")
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def start(folder, *options):
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "--log", folder / "log.jsonl", "reduce",
         folder / "observatory.toml", folder / "raw", folder / "products", "--night", NIGHT,
         *options],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def ask(*arguments):
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    return done.exit_code, done.stdout


def steps_done(products):
    """Steps that the last run did."""
    rows = read_ledger(products / "ledger.jsonl")
    last = max(i for i, r in enumerate(rows) if r["step"] == "run" and r["state"] == "begun")
    return {r["step"] for r in rows[last:] if r["state"] == "ok"}


def left_after(processes, *, seconds):
    """Processes that still run; a zombie is gone, whoever is to take notice of it."""

    def runs(process):
        try:
            return process.status() != psutil.STATUS_ZOMBIE
        except psutil.NoSuchProcess:
            return False

    end = time.monotonic() + seconds
    while (left := [p for p in processes if runs(p)]) and time.monotonic() < end:
        time.sleep(0.1)
    return left


def assert_nothing_is_half_done(products):
    assert not list(products.rglob("*.partial"))
    assert not (products / "run.lock").exists()


@pytest.mark.slow
def test_a_full_disk_then_a_signal_then_another_configuration(
    small, reduced, tmp_path, assert_same_products
):
    """Three runs make one night: each goes on where the one before was broken off."""
    shutil.copytree(small / "raw", tmp_path / "raw")
    shutil.copy2(small / "reference.fits", tmp_path)
    text = (small / "observatory.toml").read_text()
    config, products = tmp_path / "observatory.toml", tmp_path / "products"
    text += "\n[stack]\nmin_epochs = 3\n"
    config.write_text(f"{text}[calibration]\nclip = 3.5\n")
    with small_disk(products, 1) as enlarge:
        run = start(tmp_path, "--workers", "2")
        _, said = run.communicate(timeout=300)
        assert run.returncode == 3, said
        (line,) = [t for t in said.splitlines() if t.startswith("broken off: ")]
        assert "No space left on device" in line
        assert "free some space and start again; what is finished is kept" in line
        assert f"the disk of {products} has 0.00" in line
        assert " GB more are needed" in line
        assert "Traceback" not in said
        assert_nothing_is_half_done(products)
        assert "summary" in steps_done(products)
        status, shown = ask("status", products)
        assert status == 3
        assert shown.startswith("failed: process ")

        enlarge(500)
        config.write_text(text)
        n_before = len(read_ledger(products / "ledger.jsonl"))
        run = start(tmp_path, "--workers", "2")
        begin = time.monotonic()
        while not any(
            r["step"] == "point spread" and r["state"] == "begun"
            for r in read_ledger(products / "ledger.jsonl")[n_before:]
        ):
            assert run.poll() is None, run.communicate()
            assert time.monotonic() - begin < 240
            time.sleep(0.05)
        run.send_signal(signal.SIGSTOP)  # or it would have ended before it was looked at
        # A second run is kept out, and anybody may look.
        with pytest.raises(ProductError, match=f"another run works .*process {run.pid} on "):
            CliRunner().invoke(
                app, ["reduce", *map(str, (config, tmp_path / "raw", products)), "--workers", "1"],
                catch_exceptions=False,
            )  # fmt: skip
        status, shown = ask("status", products)
        assert status == 0
        assert shown.startswith(f"running: process {run.pid} on ")
        assert "Expected end: " in shown
        family = psutil.Process(run.pid).children(recursive=True)
        assert len(family) >= 2
        run.send_signal(signal.SIGTERM)
        run.send_signal(signal.SIGCONT)
        out, said = run.communicate(timeout=90)
        assert run.returncode == 3, said
        assert "broken off: stopped by SIGTERM; what is finished is kept" in said
        assert out.startswith("2 worker processes on this machine")
        assert "Traceback" not in said
        assert not left_after(family, seconds=10)
        assert_nothing_is_half_done(products)
        last = read_ledger(products / "ledger.jsonl")[-1]
        assert (last["step"], last["state"]) == ("run", "stopped")
        assert ask("status", products)[0] == 3

        # What the change touched was made anew, and what ran at the signal was kept.
        assert {"summary", "search", "point spread"} <= steps_done(products)
        run = start(tmp_path, "--workers", "1")
        _, said = run.communicate(timeout=300)
        assert run.returncode == 0, said
        assert_nothing_is_half_done(products)
        status, shown = ask("status", products, "--json")
        assert status == 0
        told = json.loads(shown)
        assert told["state"] == "ended"
        assert told["memory"] > 50
        (night,) = [n for n in told["nights"] if n["night"] == NIGHT]
        assert all(s["n_done"] == s["n_all"] for s in night["steps"])
        assert not {"summary", "search", "point spread"} & steps_done(products)
        assert {"measure", "catalogue", "tiles"} <= steps_done(products)
        theirs = tmp_path / "theirs"
        for part in ("strips", "calibration", "summaries"):
            shutil.copytree(reduced[0] / part / NIGHT, theirs / part / NIGHT)
        for path in sorted(reduced[0].glob(f"tiles/*/{NIGHT}*")):
            (theirs / path.relative_to(reduced[0])).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, theirs / path.relative_to(reduced[0]))
        assert_same_products(
            products, theirs, parts=("strips", "calibration", "summaries", "tiles")
        )
    logged = [json.loads(line) for line in (tmp_path / "log.jsonl").read_text().splitlines()]
    assert {"run", "search", "tiles"} <= {row.get("step") for row in logged}
    assert all({"time", "level", "message", "process", "host"} <= set(row) for row in logged)


def test_a_lock_left_by_the_dead_is_said(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", LEAVE, tmp_path],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    notes = []
    with hold_lock(tmp_path, notes=notes):
        pass
    (text,) = notes
    assert f"left by process {done.stdout.strip()} on " in text
    assert "has ended without removing it" in text


@pytest.mark.parametrize("what", ["segment", "products"])
def test_permission_denied_is_told_with_the_remedy(small, what):
    """A segment that may not be read is rejected; a folder that may not be written ends the run."""
    with tempfile.TemporaryDirectory(prefix="denied-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        shutil.copytree(small / "raw", folder / "raw")
        for file in ("observatory.toml", "reference.fits"):
            shutil.copy2(small / file, folder)
        path = min((folder / "raw").glob(f"{NIGHT}_s01_*.fits"))
        if what == "segment":
            path.chmod(0)
            command = ["check", folder / "observatory.toml", folder / "raw"]
        else:
            folder.chmod(0o555)
            command = [
                "reduce", folder / "observatory.toml", folder / "raw", folder / "products",
                "--workers", "1",
            ]  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", DENIED, *map(str, command)],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        folder.chmod(0o755)
        assert "Traceback" not in done.stderr
        assert "Permission denied" in done.stderr
        if what == "segment":
            assert done.returncode == 1
            assert f"rejected: {path}" in done.stderr
        else:
            assert done.returncode == 2
            assert f"{folder / 'products'}: cannot be written" in done.stderr
            assert "give write permission for the folder" in done.stderr
