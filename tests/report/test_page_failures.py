"""The page tells the failures that stand, not those that a later run mended."""

from pipeline.io.ledger import still_failed


def row(strip, step, state="ok", reason="", night="2025-03-02"):
    return {"night": night, "strip": strip, "step": step, "state": state, "reason": reason}


RUN = row("", "run", night="")
A_FAILED = row("a", "search", "failed", "one")
B_FAILED = row("b", "search", "failed", "two")
FILE = row("raw/x.fits", "check", "failed", "three", night="")


def test_failures_of_the_only_run_stand_whether_it_ended_or_not():
    rows = [FILE, row("a", "summary"), A_FAILED, B_FAILED]
    assert still_failed(rows) == [FILE, A_FAILED, B_FAILED]
    assert still_failed([*rows, RUN]) == [FILE, A_FAILED, B_FAILED]


def test_a_later_run_mends_what_it_came_by():
    first = [FILE, A_FAILED, B_FAILED, RUN]
    assert still_failed([*first, row("a", "search", "skipped")]) == [B_FAILED]
    assert still_failed([*first, row("a", "search"), row("b", "search"), RUN]) == []


def test_what_fails_again_is_told_once():
    again = row("a", "search", "failed", "four")
    assert still_failed([A_FAILED, RUN, FILE, again, RUN]) == [FILE, again]
