"""The ledger of a run: one line of JSON for every step, in the order it ended."""

import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np

from pipeline.io.atomic import explain_failure

__all__ = ["Ledger", "read_ledger"]

State = Literal["ok", "failed", "skipped"]


class Ledger:
    """Appends to a file that survives a crash: every line is on disk before the next step.

    Parameters
    ----------
    path : Path
        File; made when missing, added to when it is there.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        # A line that a crash tore must not swallow the next one.
        try:
            torn = self.path.exists() and not self.path.read_bytes().endswith(b"\n")
            if torn and self.path.stat().st_size:
                with self.path.open("ab") as stream:
                    stream.write(b"\n")
        except OSError as error:
            raise explain_failure(self.path, error) from error

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
    ) -> None:
        """Add a line.

        Parameters
        ----------
        night, strip : str
            What it was about; empty where it was about more than one.
        step : str
            What was done.
        state : {"ok", "failed", "skipped"}
            How it ended.
        block : tuple of int, optional
            Half-open range of lines.
        reason : str
            Why it failed or was skipped.
        seconds : float, optional
            How long it took.

        Raises
        ------
        ProductError
            If the system refuses.
        """
        row: dict[str, Any] = {
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "night": night, "strip": strip, "step": step,
            "block": None if block is None else list(block), "state": state, "reason": reason,
            "seconds": None if seconds is None or not np.isfinite(seconds) else round(seconds, 3),
        }  # fmt: skip
        try:
            with self.path.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(row, allow_nan=False) + "\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise explain_failure(self.path, error) from error


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
    """
    rows = []
    for line in Path(path).read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        if isinstance(row, dict):
            rows.append(row)
    return rows
