"""What a run does, or would do: a row for each step of each strip, and what came of it."""

from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = ["PlanRow", "ReductionSummary", "StripRow", "group_rows"]


@dataclass
class PlanRow:
    """What a run does, or would do, for one step of one strip.

    Parameters
    ----------
    step, night, where : str
        Step; night; strip, or what else the step is about.
    n_todo, n_stands : int
        Tasks to be done, and tasks whose outcome stands.
    reasons : list of str
        Why they are to be done.
    seconds : float
        How long that takes one worker, from the ledger; NaN where it was never done.
    """

    step: str
    night: str
    where: str
    n_todo: int = 0
    n_stands: int = 0
    reasons: list[str] = field(default_factory=list)
    seconds: float = 0.0


@dataclass(frozen=True)
class StripRow:
    """One line of the summary of a run."""

    night: str
    strip: str
    n_lines: int
    n_sources: int
    rms_line: float
    rms_column: float
    zero_point: float


@dataclass
class ReductionSummary:
    """What a run did.

    Parameters
    ----------
    strips : list of StripRow
        Strips with a catalogue.
    n_tiles, n_stacks, n_deep : int
        Epoch tiles, stacks, and sources of the deep catalogue.
    problems : list of str
        What the reader should know; nothing was lost.
    failures : list of str
        What could not be done, and why.
    rows : list of PlanRow
        Step by step: what was done, and what stood.
    raw_bytes : int
        Bytes of raw pixels read.
    """

    strips: list[StripRow] = field(default_factory=list)
    n_tiles: int = 0
    n_stacks: int = 0
    n_deep: int = 0
    problems: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    rows: list[PlanRow] = field(default_factory=list)
    raw_bytes: int = 0

    @property
    def n_todo(self) -> int:
        """Tasks that were done, or would be."""
        return sum(row.n_todo for row in self.rows)

    def note(self, *texts: str) -> None:
        """Add problems, each once."""
        for text in texts:
            if text not in self.problems:
                self.problems.append(text)

    def fail(self, text: str) -> None:
        """Add a failure, once."""
        if text not in self.failures:
            self.failures.append(text)


def group_rows(rows: Sequence[PlanRow]) -> list[PlanRow]:
    """Rows of one step with the same reasons as one: a season is read at a glance.

    Parameters
    ----------
    rows : sequence of PlanRow

    Returns
    -------
    list of PlanRow
        In the order of first appearance. A group of several names its first and last night, and
        how many strips or tiles it holds.
    """
    groups: dict[tuple[object, ...], list[PlanRow]] = {}
    for row in rows:
        key = (row.step, row.n_todo > 0, tuple(row.reasons), bool(row.night))
        groups.setdefault(key, []).append(row)
    out = []
    for members in groups.values():
        first = members[0]
        nights = sorted({m.night for m in members})
        places = {(m.night, m.where) for m in members}
        several = len(places) > 1
        out.append(
            PlanRow(
                first.step,
                nights[0] if len(nights) == 1 else f"{nights[0]} to {nights[-1]}",
                f"{len(places)} in all" if several else first.where,
                sum(m.n_todo for m in members),
                sum(m.n_stands for m in members),
                first.reasons,
                sum(m.seconds for m in members),
            )
        )
    return out
