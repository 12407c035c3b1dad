"""The ledger of a run: one line of JSON for every step, in the order it ended."""

import json
import os
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from pipeline.errors import ProductError
from pipeline.io.atomic import explain_failure

__all__ = ["Ledger", "by_night", "read_ledger", "still_failed"]

State = Literal["ok", "failed", "skipped", "begun", "stopped"]


class Ledger:
    """Appends to a file that survives a crash: every line is on disk before the next step.

    Parameters
    ----------
    path : Path
        File; made when missing, added to when it is there.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)

    def record(
        self,
        *,
        night: str,
        strip: str,
        step: str,
        state: State,
        block: tuple[int, int] | None = None,
        reason: str = "",
        seconds: float | None = None,
        memory: float | None = None,
        **facts: Any,
    ) -> None:
        """Add a line.

        Parameters
        ----------
        night, strip : str
            What it was about; empty where it was about more than one.
        step : str
            What was done.
        state : {"ok", "failed", "skipped", "begun", "stopped"}
            How it ended, or that it began.
        block : tuple of int, optional
            Half-open range of lines.
        reason : str
            Why it failed or was skipped.
        seconds : float, optional
            How long it took.
        memory : float, optional
            Most memory that the process held meanwhile, MB.
        **facts
            What else is to be known of a beginning; JSON.

        Raises
        ------
        ValueError
            If there is no such state.
        ProductError
            If the system refuses.
        """
        if state not in get_args(State):
            msg = f"state must be one of {', '.join(get_args(State))}, received {state!r}"
            raise ValueError(msg)
        row: dict[str, Any] = {
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "night": night, "strip": strip, "step": step,
            "block": None if block is None else [int(line) for line in block],
            "state": state, "reason": reason,
            "seconds": _round(seconds, 3), "memory": _round(memory, 1), **facts,
        }  # fmt: skip
        text = json.dumps(row, allow_nan=False) + "\n"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a+b") as stream:
                # A line that a crash or a full disk tore must not swallow the next one.
                if stream.seek(0, os.SEEK_END):
                    stream.seek(-1, os.SEEK_END)
                    if stream.read(1) != b"\n":
                        text = "\n" + text
                stream.write(text.encode("ascii"))
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise explain_failure(self.path, error) from error


def _round(value: float | None, digits: int) -> float | None:
    """A number that JSON can hold, or nothing."""
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def read_ledger(path: str | Path) -> list[dict[str, Any]]:
    """Read a ledger; a torn line is passed over.

    Parameters
    ----------
    path : str or Path
        What `Ledger` wrote.

    Returns
    -------
    list of dict
        In the order of writing.

    Raises
    ------
    ProductError
        If the file cannot be read.
    """
    try:
        text = Path(path).read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror}); give the folder of a run's products"
        raise ProductError(msg) from error
    rows = []
    for line in text.split("\n"):
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        if isinstance(row, dict):
            rows.append(row)
    return rows


def by_night(rows: Iterable[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Rows of each night, in order; those of no night are left out."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if night := row.get("night"):
            found.setdefault(str(night), []).append(row)
    return found


def still_failed(ledger: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Failures that no later run came by: it would have tried again and told what became of it.

    Parameters
    ----------
    ledger : sequence of dict
        Rows as `read_ledger` gives them.

    Returns
    -------
    list of dict
        The rows that stand, in order.
    """
    failed: list[dict[str, Any]] = []
    run: list[dict[str, Any]] = []

    def close() -> None:
        places = {(row.get("night"), row.get("strip")) for row in run}
        # Files are checked in every run, whatever nights it is about.
        failed[:] = [
            row
            for row in failed
            if row.get("step") != "check" and (row.get("night"), row.get("strip")) not in places
        ]
        failed.extend(row for row in run if row.get("state") == "failed")
        run.clear()

    for row in ledger:
        if row.get("step") == "run":
            close()
        else:
            run.append(row)
    if run:
        close()
    return failed
