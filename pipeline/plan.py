"""What a run does, or would do: a row for each step of each strip."""

from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = ["PlanRow", "group_rows"]


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
