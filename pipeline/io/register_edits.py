"""What was edited by hand in a register, kept when a season writes it anew."""

from collections.abc import Sequence

from pipeline.io.register import BY_HAND, Entry

__all__ = ["keep_edits"]


def keep_edits(
    made: Sequence[Entry], before: Sequence[Entry]
) -> tuple[tuple[Entry, ...], tuple[str, ...]]:
    """Validities and preferences set by hand in an earlier register, carried over to a new one.

    An entry inherits from that of the same name. One whose name is new, since its interval now
    begins with another night, inherits from the one it holds the computed beginning of. Each end
    is kept by itself: what was not edited follows the season.

    Parameters
    ----------
    made : sequence of Entry
        As a season computes them.
    before : sequence of Entry
        As they stood, edits included.

    Returns
    -------
    entries : tuple of Entry
        With remarks on what was kept.
    texts : tuple of str
        What was kept, and what could not be, each with the name of its entry.
    """
    kept, texts = [], []
    names = {e.id for e in made}
    earlier = {e.id: e for e in before}
    gone = [e for e in before if e.id not in names and (any(e.edited) or e.preferred)]
    gone = [e for e in gone if e.file.startswith("season/")]  # others were never the season's
    for entry in made:
        old = earlier.get(entry.id)
        if old is None:
            mine = [
                e for e in gone
                if (e.kind, e.chip, e.filter) == (entry.kind, entry.chip, entry.filter)
                and entry.computed_from <= e.computed_from <= entry.computed_to
            ]  # fmt: skip
            old = mine[0] if len(mine) == 1 else None
        if old is None or not (any(old.edited) or old.preferred):
            kept.append(entry)
            continue
        if old in gone:
            gone.remove(old)
        one, text = _keep(entry, old)
        kept.append(one)
        texts.append(f"{entry.id}: {text}")
    texts += [
        f"{e.id}: no longer found; what was set by hand there ({e.valid_from} to {e.valid_to}"
        f"{', preferred' if e.preferred else ''}) ends with it"
        for e in gone
    ]
    return tuple(kept), tuple(texts)


def _keep(entry: Entry, old: Entry) -> tuple[Entry, str]:
    """An entry with the edits of an older one, and what they are in words."""
    first, last = old.edited
    begin = old.valid_from if first else entry.valid_from
    end = old.valid_to if last else entry.valid_to
    if end < begin:  # the season moved away from the edited end: both stay as they were
        begin, end = old.valid_from, old.valid_to
    parts = []
    if first or last:
        parts.append(
            f"{begin} to {end} is kept, the season found {entry.computed_from} to "
            f"{entry.computed_to}"
        )
    if old.preferred:
        parts.append("preferred = true is kept")
    text = f"{BY_HAND}{'; '.join(parts)}"
    changes = {"valid_from": begin, "valid_to": end, "preferred": old.preferred}
    return entry.model_copy(update={**changes, "remarks": (*entry.remarks, text)}), text
