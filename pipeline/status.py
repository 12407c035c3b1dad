"""How a run stands, from its ledger alone: anybody may look while it works, from anywhere."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pipeline.errors import ProductError
from pipeline.io.ledger import read_ledger
from pipeline.io.runlock import Holder, look_at_lock

__all__ = ["NightStatus", "RunStatus", "StepStatus", "assess_run", "read_status"]

_BLOCK_STEPS = ("summary", "search", "measure")
_OPEN_STEPS = ("column summary", "first geometry", "point spread", "trails", "catalogue")
_SEASON_STEPS = ("tiles", "stack", "deep catalogue")  # their number shows when the nights are done


@dataclass
class StepStatus:
    """One step of one night.

    Parameters
    ----------
    step : str
        As in the ledger.
    n_all, n_done, n_failed, n_running : int
        Tasks; those that stand from earlier runs are done. Running ones are begun and not ended.
    seconds : float
        Of tasks that ended in this run, together.
    memory : float
        Most that one of them held, MB; 0 where it is not known.
    """

    step: str
    n_all: int = 0
    n_done: int = 0
    n_failed: int = 0
    n_running: int = 0
    seconds: float = 0.0
    memory: float = 0.0


@dataclass
class NightStatus:
    """One night; an empty name stands for what is about all of them.

    Parameters
    ----------
    night : str
        Date.
    steps : list of StepStatus
        In the order of the run.
    """

    night: str
    steps: list[StepStatus] = field(default_factory=list)

    @property
    def now(self) -> str:
        """Step that runs; empty where none does."""
        return next((s.step for s in reversed(self.steps) if s.n_running), "")


@dataclass
class RunStatus:
    """The last run in a folder.

    Parameters
    ----------
    state : str
        "running", "ended", "stopped", "failed", or "killed": it neither ended nor holds the folder.
    who : str
        Process and machine.
    since, until : str
        Beginning, and end where it has ended; UTC.
    reason : str
        Why it was stopped or failed.
    nights : list of NightStatus
        Those that were asked for.
    failures : list of str
        What failed in this run, and why.
    memory : float
        Most that a task held, MB.
    seconds_left : float or None
        Expected; None where nothing can be said yet, or nothing runs.
    not_counted : list of str
        Steps still to come that no run has timed: they are not in `seconds_left`.
    """

    state: str
    who: str
    since: str
    until: str = ""
    reason: str = ""
    nights: list[NightStatus] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    memory: float = 0.0
    seconds_left: float | None = None
    not_counted: list[str] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        """Everything, for other programs."""
        return asdict(self)

    def expected_end(self, now: datetime) -> datetime | None:
        """When it may be done."""
        if self.seconds_left is None:
            return None
        return now + timedelta(seconds=self.seconds_left)


def read_status(out: str | Path) -> RunStatus:
    """How the last run in a folder of products stands.

    Parameters
    ----------
    out : str or Path
        Folder of products; nothing in it is touched.

    Returns
    -------
    RunStatus

    Raises
    ------
    ProductError
        If no run has begun there.
    """
    out = Path(out)
    # A reprocessing writes beside the old products until it is whole.
    beside = out / ".next" / "ledger.jsonl"
    path = beside if beside.exists() else out / "ledger.jsonl"
    status = assess_run(read_ledger(path), look_at_lock(out), now=datetime.now(UTC))
    if status is None:
        msg = f"{path}: tells of no run that has begun; start one with `driftloom reduce`"
        raise ProductError(msg)
    return status


def assess_run(
    rows: Sequence[Mapping[str, Any]], holder: Holder | None, *, now: datetime
) -> RunStatus | None:
    """Tell from the rows of a ledger how its last run stands.

    Parameters
    ----------
    rows : sequence of mapping
        Of the ledger, in order.
    holder : Holder or None
        Who holds the folder.
    now : datetime
        With its time zone.

    Returns
    -------
    RunStatus or None
        None where no run has begun.
    """
    begins = [i for i, r in enumerate(rows) if r.get("step") == "run" and r.get("state") == "begun"]
    if not begins:
        return None
    begin, mine = rows[begins[-1]], rows[begins[-1] + 1 :]
    pid, host = begin.get("process"), begin.get("host")
    status = RunStatus("running", f"process {pid} on {host}", str(begin.get("time", "")))
    end = next((r for r in reversed(mine) if r.get("step") == "run"), None)
    if end is not None:
        status.until, status.reason = str(end.get("time", "")), str(end.get("reason", ""))
        states = {"ok": "ended", "stopped": "stopped"}
        status.state = states.get(str(end.get("state")), "failed")
        status.reason = "" if status.state == "ended" else status.reason
    elif holder is None or (holder.pid, holder.host) != (pid, host) or holder.alive is False:
        status.state = "killed"
    steps = _count(begin, mine, running=status.state == "running")
    for night in sorted({n for n, _ in steps}):
        found = [s for (n, _), s in steps.items() if n == night]
        status.nights.append(NightStatus(night, found))
    status.failures = [_tell(r) for r in mine if r.get("state") == "failed" and r is not end]
    status.memory = max((s.memory for s in steps.values()), default=0.0)
    if status.state == "running":
        _expect(status, rows, begin, now)
    return status


def _tell(row: Mapping[str, Any]) -> str:
    block = row.get("block")
    where = f", lines {block[0]} to {block[1]}" if block else ""
    return f"{row.get('strip') or row.get('night')}: {row.get('step')}{where}: {row.get('reason')}"


def _planned(begin: Mapping[str, Any]) -> dict[tuple[str, str, str], int]:
    """Tasks by night, step and strip, as far as the beginning of a run knows them."""
    planned: dict[tuple[str, str, str], int] = {}
    size = int(begin.get("block_lines") or 1)
    blocks = (*_BLOCK_STEPS, "calibrated strip") if begin.get("calibrated") else _BLOCK_STEPS
    order = (
        "summary", "column summary", "first geometry", "search", "point spread", "trails",
        "measure", "catalogue", "calibrated strip",
    )  # fmt: skip
    for step in order:
        for night, strip, n_lines, is_open in begin.get("strips") or ():
            if not is_open and step not in {"summary", "column summary"}:
                continue
            if step in blocks:
                planned[night, step, strip] = -(-int(n_lines) // size)
            elif step in _OPEN_STEPS:
                planned[night, step, strip] = 1
    return planned


def _count(
    begin: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], *, running: bool
) -> dict[tuple[str, str], StepStatus]:
    """Steps by night and name, in order."""
    expected = _planned(begin)
    done: dict[tuple[str, str, str], int] = defaultdict(int)
    failed: dict[tuple[str, str, str], int] = defaultdict(int)
    open_: dict[tuple[str, str, str], int] = defaultdict(int)
    steps: dict[tuple[str, str], StepStatus] = {}
    for night, step, _ in expected:
        steps.setdefault((night, step), StepStatus(step))
    for row in rows:
        night, step, strip = (str(row.get(k) or "") for k in ("night", "step", "strip"))
        state = row.get("state")
        if step in {"run", "check", "read", "sky positions"}:
            continue
        place = (night, step, strip)
        one = steps.setdefault((night, step), StepStatus(step))
        if state == "begun":
            tasks, stand = int(row.get("tasks") or 0), int(row.get("stand") or 0)
            open_[place] += tasks
            done[place] += stand
            expected[place] = max(tasks + stand, done[place] + failed[place] + open_[place])
        elif state == "skipped":
            done[place] = expected[place] = expected.get(place, 1)
        elif state in {"ok", "failed"}:
            open_[place] = max(0, open_[place] - 1)
            (done if state == "ok" else failed)[place] += 1
            one.seconds += float(row.get("seconds") or 0.0)
            one.memory = max(one.memory, float(row.get("memory") or 0.0))
    for (night, step, strip), count in expected.items():
        one, place = steps[night, step], (night, step, strip)
        one.n_all += count
        one.n_done += done[place]
        one.n_failed += failed[place]
        one.n_running += open_[place] if running else 0
    return steps


def _expect(
    status: RunStatus, rows: Sequence[Mapping[str, Any]], begin: Mapping[str, Any], now: datetime
) -> None:
    """Fill in the seconds that are left, from what such tasks took and how many run at once."""
    taken: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        if row.get("state") == "ok" and isinstance(row.get("seconds"), int | float):
            taken[str(row.get("step"))].append(float(row["seconds"]))
    worked, left = 0.0, 0.0
    missing: list[str] = []
    seen = set()
    for night in status.nights:
        for step in night.steps:
            seen.add(step.step)
            worked += step.seconds
            count = max(0, step.n_all - step.n_done - step.n_failed)
            if count and step.step in taken:
                left += count * sum(taken[step.step]) / len(taken[step.step])
            elif count and step.step not in missing:
                missing.append(step.step)
    missing += [s for s in _SEASON_STEPS if s not in seen]
    elapsed = (now - datetime.fromisoformat(str(begin["time"]))).total_seconds()
    if worked > 0 and elapsed > 0:
        status.seconds_left = left * elapsed / worked
    status.not_counted = missing
