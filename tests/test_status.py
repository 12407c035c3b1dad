"""How a run stands, from rows of a ledger and the word of its lock."""

import io
from datetime import datetime, timedelta

import pytest
from rich.console import Console

from pipeline.errors import ProductError
from pipeline.io.ledger import Ledger
from pipeline.io.runlock import Holder
from pipeline.status import assess_run, read_status
from pipeline.status_text import print_status

START = datetime.fromisoformat("2025-06-11T04:00:00+00:00")
ME = Holder(7, "here", alive=True)
NIGHT = "2025-06-10"


def row(step, state, *, strip="s1", after=0.0, night=NIGHT, **rest):
    time = (START + timedelta(seconds=after)).isoformat()
    return {"time": time, "night": night, "strip": strip, "step": step, "block": None,
            "state": state, "reason": "", "seconds": None, "memory": None, **rest}  # fmt: skip


def begin(**rest):
    return row(
        "run", "begun", strip="", night="", process=7, host="here", block_lines=1000,
        calibrated=False, strips=[[NIGHT, "s1", 3500, True], [NIGHT, "dark", 1000, False]], **rest,
    )  # fmt: skip


WORK = [
    begin(),
    row("summary", "begun", tasks=3, stand=1),
    row("summary", "begun", strip="dark", tasks=1, stand=0),
    row("summary", "ok", seconds=10.0, memory=400.0, block=[0, 1000]),
    row("summary", "ok", strip="dark", seconds=10.0, memory=500.0),
    row("summary", "failed", block=[1000, 2000], reason="x.fits: damaged", seconds=1.0),
]


def step(status, name):
    (night,) = [n for n in status.nights if n.night == NIGHT]
    return next(s for s in night.steps if s.step == name)


def test_what_is_done_runs_and_failed_is_counted():
    status = assess_run(WORK, ME, now=START + timedelta(seconds=21))
    assert status.state == "running"
    assert status.who == "process 7 on here"
    one = step(status, "summary")
    # Four blocks of s1, of which one stands, and one of the dark strip.
    assert (one.n_all, one.n_done, one.n_failed, one.n_running) == (5, 3, 1, 1)
    assert (one.seconds, one.memory, status.memory) == (21.0, 500.0, 500.0)
    assert status.failures == ["s1: summary, lines 1000 to 2000: x.fits: damaged"]
    waiting = step(status, "search")
    assert (waiting.n_all, waiting.n_done, waiting.n_running) == (4, 0, 0)  # not the dark strip


def test_the_end_is_expected_from_what_tasks_took_and_how_many_run_at_once():
    """21 s of work in 10.5 s: two at a time; one summary of 10 s is left, the rest unknown."""
    status = assess_run(WORK, ME, now=START + timedelta(seconds=10.5))
    assert status.seconds_left == pytest.approx(5.0)
    assert status.not_counted[:2] == ["column summary", "first geometry"]
    assert "tiles" in status.not_counted
    # An earlier run has timed the search.
    earlier = [begin(after=-99), row("search", "ok", seconds=3.0, after=-90)]
    status = assess_run([*earlier, *WORK], ME, now=START + timedelta(seconds=10.5))
    assert status.seconds_left == pytest.approx((10.0 + 4 * 3.0) / 2)
    assert "search" not in status.not_counted


@pytest.mark.parametrize(
    ("rows", "holder", "state"),
    [
        ([], ME, "running"),
        ([], Holder(7, "here", alive=None), "running"),  # of another machine: nobody knows
        ([], Holder(7, "here", alive=False), "killed"),
        ([], Holder(8, "here", alive=True), "killed"),
        ([], None, "killed"),
        ([row("run", "ok", strip="", night="")], None, "ended"),
        ([row("run", "stopped", strip="", night="", reason="by SIGTERM")], None, "stopped"),
        ([row("run", "failed", strip="", night="", reason="no room")], None, "failed"),
    ],
)
def test_states_of_a_run(rows, holder, state):
    status = assess_run([*WORK, *rows], holder, now=START + timedelta(seconds=30))
    assert status.state == state
    assert status.reason == (rows[0]["reason"] if rows else "")
    assert step(status, "summary").n_running == (state == "running")
    assert (status.seconds_left is None) == (state != "running")


def test_only_the_last_run_counts_and_strips_that_stand_are_done():
    rows = [*WORK, begin(after=100), row("summary", "skipped", reason="stands", after=101)]
    status = assess_run(rows, ME, now=START + timedelta(seconds=110))
    assert status.failures == []
    assert (step(status, "summary").n_done, step(status, "summary").n_all) == (4, 5)


def test_a_folder_without_a_run_is_a_mistake(tmp_path):
    with pytest.raises(ProductError, match=r"ledger.jsonl: cannot be read"):
        read_status(tmp_path)
    Ledger(tmp_path / "ledger.jsonl").record(night="", strip="", step="season", state="ok")
    with pytest.raises(ProductError, match="tells of no run that has begun"):
        read_status(tmp_path)


def test_the_table_says_it_all():
    console = Console(width=150, record=True, file=io.StringIO())
    print_status(console, assess_run(WORK, ME, now=START + timedelta(seconds=10)), each=False)
    text = console.export_text()
    assert text.startswith("running: process 7 on here, since 2025-06-11 04:00:00 UTC\n")
    (line,) = [t for t in text.splitlines() if t.startswith(NIGHT)]
    assert line.split() == [NIGHT, "summary", "3", "19", "1", "1", "21", "500", "MB"]
    assert "failed: s1: summary, lines 1000 to 2000: x.fits: damaged" in text
    assert "Expected end: " in text
