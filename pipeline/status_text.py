"""The state of a run as a table."""

from datetime import UTC, datetime

from rich.console import Console
from rich.table import Table

from pipeline.status import NightStatus, RunStatus, StepStatus

__all__ = ["print_status"]


def print_status(console: Console, status: RunStatus, *, each: bool) -> None:
    """Print how a run stands.

    Parameters
    ----------
    console : Console
        Where.
    status : RunStatus
        Of `read_status`.
    each : bool
        A line for every step of every night, instead of one for a night.
    """
    until = f" until {_short(status.until)}" if status.until else ""
    console.print(
        f"{status.state}: {status.who}, since {_short(status.since)}{until}", highlight=False
    )
    if status.reason:
        console.print(status.reason, highlight=False, markup=False, soft_wrap=True)
    table = Table(box=None, pad_edge=False)
    for head in ("night", "step", "done", "of", "running", "failed", "task seconds", "memory"):
        table.add_column(head, justify="left" if head in {"night", "step"} else "right")
    for night in status.nights:
        name = night.night or "all nights"
        for step in night.steps if each else [_whole(night)]:
            table.add_row(
                name, step.step, f"{step.n_done}", f"{step.n_all}", f"{step.n_running}",
                f"{step.n_failed}", f"{step.seconds:.0f}",
                f"{step.memory:.0f} MB" if step.memory else "-",
            )  # fmt: skip
    console.print(table)
    for text in status.failures:
        console.print(f"failed: {text}", highlight=False, markup=False, soft_wrap=True)
    end = status.expected_end(datetime.now(UTC))
    if end is not None:
        without = f", without {', '.join(status.not_counted)}" if status.not_counted else ""
        console.print(
            f"Expected end: {end:%Y-%m-%d %H:%M:%S} UTC, in {status.seconds_left:.0f} s{without}.",
            highlight=False,
        )
    elif status.state in {"stopped", "killed", "failed"}:
        console.print("The same command goes on where it was.", highlight=False)


def _short(time: str) -> str:
    return f"{time[:19].replace('T', ' ')} UTC" if time else "?"


def _whole(night: NightStatus) -> StepStatus:
    """A night in one line: the step at work, and the sums."""
    steps = night.steps
    ended = all(s.n_done + s.n_failed >= s.n_all for s in steps)
    return StepStatus(
        night.now or ("done" if ended else "waiting"),
        sum(s.n_all for s in steps),
        sum(s.n_done for s in steps),
        sum(s.n_failed for s in steps),
        sum(s.n_running for s in steps),
        sum(s.seconds for s in steps),
        max((s.memory for s in steps), default=0.0),
    )
