"""One run at a time in one folder, and no lock left by the dead."""

import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
import threading

import pytest

from pipeline.errors import DriftloomError, ProductError
from pipeline.io import runlock
from pipeline.io.runlock import hold_lock

HOLD = (
    "import sys\nfrom pipeline.io.runlock import hold_lock\n"
    "with hold_lock(sys.argv[1]):\n    print('held', flush=True)\n    sys.stdin.read()\n"
)


@pytest.fixture
def other_run(tmp_path):
    """Another process that holds the lock of the folder."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}, text=True,
    )  # fmt: skip
    assert process.stdout.readline() == "held\n"
    yield process
    process.communicate("")


def refuse_system_lock(monkeypatch):
    """A file system without locks of its own, as some network ones are."""

    def refuse(*_):
        raise OSError(runlock.errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)


def test_lock_names_its_holder_and_goes(tmp_path):
    with hold_lock(tmp_path) as path:
        holder = json.loads(path.read_text())
        assert holder == {"pid": os.getpid(), "host": socket.gethostname()}
    assert list(tmp_path.iterdir()) == []
    with hold_lock(tmp_path):
        pass


def test_lock_goes_with_an_error(tmp_path):
    with pytest.raises(ZeroDivisionError), hold_lock(tmp_path):
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("system", [True, False])
def test_second_run_is_refused(tmp_path, other_run, monkeypatch, system):
    if not system:
        refuse_system_lock(monkeypatch)
    match = (
        rf"run.lock: another run works in this folder \(process {other_run.pid} on "
        rf"{socket.gethostname()}\); wait for it, choose another folder, or remove"
    )
    with pytest.raises(ProductError, match=match) as caught, hold_lock(tmp_path):
        pass
    assert isinstance(caught.value, DriftloomError)
    assert json.loads((tmp_path / "run.lock").read_text())["pid"] == other_run.pid


@pytest.mark.parametrize("system", [True, False])
def test_second_run_of_one_process_is_refused(tmp_path, monkeypatch, system):
    if not system:
        refuse_system_lock(monkeypatch)
    with hold_lock(tmp_path):
        with pytest.raises(ProductError, match=f"process {os.getpid()}"), hold_lock(tmp_path):
            pass
        assert (tmp_path / "run.lock").exists()


@pytest.mark.parametrize("system", [True, False])
def test_lock_of_a_killed_run_is_taken_over(tmp_path, other_run, monkeypatch, system):
    os.kill(other_run.pid, signal.SIGKILL)
    other_run.wait()
    assert (tmp_path / "run.lock").exists()
    if not system:
        refuse_system_lock(monkeypatch)
    with hold_lock(tmp_path) as path:
        assert json.loads(path.read_text())["pid"] == os.getpid()
    assert list(tmp_path.iterdir()) == []


def test_number_of_a_dead_run_given_to_another_process(tmp_path):
    """Process numbers are used again; the system's lock knows better."""
    text = json.dumps({"pid": os.getppid(), "host": socket.gethostname()})
    (tmp_path / "run.lock").write_text(text)
    with hold_lock(tmp_path):
        pass


def test_lock_of_another_machine_is_respected(tmp_path):
    (tmp_path / "run.lock").write_text(json.dumps({"pid": 1, "host": "elsewhere.invalid"}))
    with (
        pytest.raises(ProductError, match=r"process 1 on elsewhere.invalid\).*or remove that file"),
        hold_lock(tmp_path),
    ):
        pass
    assert "elsewhere" in (tmp_path / "run.lock").read_text()


@pytest.mark.parametrize("text", ["", "{", '{"pid": 3}', "[]"])
def test_torn_lock_file(tmp_path, monkeypatch, text):
    (tmp_path / "run.lock").write_text(text)
    with hold_lock(tmp_path):
        pass
    if text:  # without the system's word nobody can know
        (tmp_path / "run.lock").write_text(text)
        refuse_system_lock(monkeypatch)
        with pytest.raises(ProductError, match="holder is unknown"), hold_lock(tmp_path):
            pass


def test_of_many_at_once_one_gets_it(tmp_path):
    """Takers and leavers in turmoil: never two inside."""
    inside, worst, taken = [], [], []
    start = threading.Barrier(8)

    def work():
        start.wait()
        for _ in range(40):
            try:
                with hold_lock(tmp_path):
                    inside.append(1)
                    worst.append(len(inside))
                    inside.pop()
                    taken.append(1)
            except ProductError:
                continue

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert max(worst) == 1
    assert taken
    assert list(tmp_path.iterdir()) == []


def test_no_folder(tmp_path):
    with (
        pytest.raises(ProductError, match=r"run.lock: cannot be written \(No such file"),
        hold_lock(tmp_path / "nowhere"),
    ):
        pass
