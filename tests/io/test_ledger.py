"""The ledger: every line on disk, torn lines passed over."""

import errno
import json
import os
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.errors import ProductError
from pipeline.io.ledger import Ledger, read_ledger


def record(ledger, **changed):
    ledger.record(
        **{"night": "2025-06-11", "strip": "s1", "step": "summary", "state": "ok", **changed}
    )


def test_lines_come_back_in_order(tmp_path):
    path = tmp_path / "new" / "ledger.jsonl"
    ledger = Ledger(path)
    before = datetime.now(UTC)
    record(ledger, block=(0, 256), seconds=1.23456, memory=321.26)
    record(ledger, state="failed", reason='no stars: "μ"\n\u2028second line')
    record(Ledger(path), state="skipped", block=(np.int64(256), np.int64(512)), seconds=np.nan)
    rows = read_ledger(path)
    assert [r["state"] for r in rows] == ["ok", "failed", "skipped"]
    assert rows[0] == {
        "time": rows[0]["time"], "night": "2025-06-11", "strip": "s1", "step": "summary",
        "block": [0, 256], "state": "ok", "reason": "", "seconds": 1.235,
        "memory": 321.3,
    }  # fmt: skip
    time = datetime.fromisoformat(rows[0]["time"])
    assert time.utcoffset().total_seconds() == 0
    assert abs((time - before).total_seconds()) < 5
    assert rows[1]["reason"] == 'no stars: "μ"\n\u2028second line'
    assert rows[1]["block"] is None
    assert rows[2]["block"] == [256, 512]
    assert rows[2]["seconds"] is None


def test_a_line_is_a_line(tmp_path):
    """Other programs read it line by line."""
    record(Ledger(tmp_path / "l"), reason="a\nb\u2028c")
    lines = (tmp_path / "l").read_bytes().splitlines()
    assert len(lines) == 1
    assert json.loads(lines[0])["reason"] == "a\nb\u2028c"


@pytest.mark.parametrize("cut", [1, 2, 10, 60])
def test_torn_last_line_is_passed_over(tmp_path, cut):
    path = tmp_path / "ledger.jsonl"
    ledger = Ledger(path)
    for step in ("a", "b"):
        record(ledger, step=step)
    path.write_bytes(path.read_bytes()[:-cut])
    # With nothing but its end of line lost, a line is whole.
    whole = ["a", "b"] if cut == 1 else ["a"]
    assert [r["step"] for r in read_ledger(path)] == whole
    record(ledger, step="c")
    record(Ledger(path), step="d")
    assert [r["step"] for r in read_ledger(path)] == [*whole, "c", "d"]


def test_garbage_is_passed_over(tmp_path):
    path = tmp_path / "ledger.jsonl"
    record(Ledger(path), step="a")
    with path.open("ab") as stream:
        stream.write(b"\x00\xff\n\n[1]\n3\n")
    record(Ledger(path), step="b")
    assert [r["step"] for r in read_ledger(path)] == ["a", "b"]


def test_lines_of_a_killed_process_are_there(tmp_path):
    code = (
        "import os, sys\nfrom pipeline.io.ledger import Ledger\nledger = Ledger(sys.argv[1])\n"
        "for step in 'abc':\n"
        "    ledger.record(night='', strip='', step=step, state='ok')\nos._exit(9)"
    )
    path = tmp_path / "ledger.jsonl"
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert done.returncode == 9
    assert [r["step"] for r in read_ledger(path)] == ["a", "b", "c"]


def test_every_line_is_flushed_to_disk(tmp_path, monkeypatch):
    seen = []
    monkeypatch.setattr(os, "fsync", lambda _: seen.append((tmp_path / "l").read_bytes()))
    record(Ledger(tmp_path / "l"))
    assert len(seen) == 1
    assert seen[0].endswith(b"\n")


def test_full_disk(tmp_path, monkeypatch):
    def refuse(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(ProductError, match=r"ledger.jsonl: cannot be written .*free some space"):
        record(Ledger(tmp_path / "ledger.jsonl"))


def test_unknown_state(tmp_path):
    states = "ok, failed, skipped, begun, stopped"
    with pytest.raises(ValueError, match=rf"state must be one of {states}, .*'done'"):
        record(Ledger(tmp_path / "l"), state="done")
    assert not (tmp_path / "l").exists()


def test_no_ledger(tmp_path):
    with pytest.raises(ProductError, match=r"l.jsonl: cannot be read \(No such file"):
        read_ledger(tmp_path / "l.jsonl")
