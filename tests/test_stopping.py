"""Signals leave a mark and nothing more; what is ignored stays ignored."""

import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from pipeline.errors import Stopped
from pipeline.stopping import ask_to_stop, catch_signals, check_stop, forget_stop

RUN = """
import signal, sys, time
from pipeline.stopping import catch_signals, check_stop
if sys.argv[1] == "nohup":
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
with catch_signals():
    print("ready", flush=True)
    for _ in range(100):
        time.sleep(0.05)
        if sys.argv[1] != "deaf":
            check_stop()
"""


@pytest.fixture
def start():
    processes = []

    def run(how):
        process = subprocess.Popen(
            [sys.executable, "-c", RUN, how], cwd=Path(__file__).parents[1], text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        processes.append(process)
        assert process.stdout.readline() == "ready\n"
        return process

    yield run
    for process in processes:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_stops_at_the_next_safe_place(start, number):
    process = start("plain")
    process.send_signal(number)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 1
    assert f"Stopped: stopped by {number.name}; what is finished is kept" in said


def test_a_second_signal_ends_at_once(start):
    process = start("deaf")
    process.send_signal(signal.SIGTERM)
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(timeout=0.3)
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=20) == -signal.SIGTERM


def test_nohup_means_it(start):
    process = start("nohup")
    process.send_signal(signal.SIGHUP)
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(timeout=0.5)


def test_the_mark_goes_with_the_run():
    before = signal.getsignal(signal.SIGTERM)
    with catch_signals():
        check_stop()
        ask_to_stop("somebody")
        with pytest.raises(Stopped, match="stopped by somebody"):
            check_stop()
    check_stop()
    assert signal.getsignal(signal.SIGTERM) is before


def test_outside_the_main_thread_nothing_is_caught():
    seen = []

    def work():
        with catch_signals():
            seen.append(signal.getsignal(signal.SIGTERM))

    before = signal.getsignal(signal.SIGTERM)
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [before]
    forget_stop()
