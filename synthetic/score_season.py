"""The season's register of calibrations: changes of response, and vectors of several nights."""

import tomllib
from itertools import pairwise
from typing import Any

from synthetic.score_calibration import Vector, judge_vectors, measure_response, read_fits_table
from synthetic.score_rows import Row, judge, judge_absent, judge_unmeasurable
from synthetic.score_world import World

__all__ = ["score_season"]

_CHANGES = "response changes missed or invented"
_VECTORS = "column response error, vectors of the season"
_LIMIT = 1.3  # as for a night's vector


def _read_register(world: World) -> list[dict[str, Any]]:
    """Response entries of the register, in order of their first night."""
    path = world.products / "calibration" / "register.toml"
    with path.open("rb") as stream:
        tables = tomllib.load(stream)["calibration"]
    entries = [t for t in tables if t["kind"] == "response"]
    return sorted(entries, key=lambda t: (str(t["filter"]), str(t["valid_from"])))


def _score_changes(world: World, entries: list[dict[str, Any]]) -> Row:
    """Nights at which a new response begins, against those at which it really does."""
    wrong: list[str] = []
    found = 0
    nights = sorted({s.night for s in world.science})
    true = {night for night, _ in world.changes if nights[0] < night <= nights[-1]}
    for band in sorted({str(e["filter"]) for e in entries}):
        mine = [e for e in entries if e["filter"] == band]
        begins = {str(e["valid_from"]) for e in mine[1:]}
        found += len(begins & true)
        wrong += [f"missed: {night} {band}" for night in sorted(true - begins)]
        wrong += [f"invented: {night} {band}" for night in sorted(begins - true)]
        for before, after in pairwise(mine):
            if str(before["valid_to"]) >= str(after["valid_from"]):
                wrong.append(f"{before['id']} and {after['id']} claim the same night")
    return judge(
        _CHANGES,
        float(len(wrong)),
        high=0.0,
        n=len(nights),
        unit="nights",
        notes=[f"{found} found: {', '.join(sorted(true)) or 'there is none'}", *wrong],
    )


def _score_vectors(world: World, entries: list[dict[str, Any]]) -> Row:
    """Vectors of validity intervals against the truth of the nights they hold for."""
    vectors: list[Vector] = []
    failures: list[str] = []
    for entry in entries:
        first, last = str(entry["valid_from"]), str(entry["valid_to"])
        strips = [
            s for s in world.science if first <= s.night <= last and s.filter == entry["filter"]
        ]
        if not strips:
            failures.append(f"{entry['id']} holds for no night")
            continue
        try:
            table, _ = read_fits_table(world.products / "calibration" / str(entry["file"]))
        except OSError as error:
            failures.append(f"{entry['id']}: {error}")
            continue
        vectors.append(measure_response(world, strips, table, str(entry["id"])))
    if not vectors:
        reason = "; ".join(failures) or "the register holds no response"
        return judge_absent(_VECTORS, reason, high=_LIMIT, unit="x photon floor")
    floors = ", ".join(f"{v.label} {v.floor_percent:.3f} %" for v in vectors)
    return judge_vectors(
        _VECTORS,
        vectors,
        high=_LIMIT,
        unit="x photon floor",
        notes=[f"floors: {floors}"],
        failures=failures,
    )


def score_season(world: World) -> list[Row]:
    """Rows of the calibrations of a season; none where truth and products are of single nights.

    Parameters
    ----------
    world : World
        Truth, and where the products are.

    Returns
    -------
    list of Row
        Not measured where no register of calibrations was made.
    """
    if not (world.products / "calibration" / "register.toml").exists():
        if not world.changes:
            return []
        reason = "no calibration/register.toml: the vectors of the season were not made"
        return [
            judge_unmeasurable(_CHANGES, reason, high=0.0, unit="nights"),
            judge_unmeasurable(_VECTORS, reason, high=_LIMIT, unit="x photon floor"),
        ]
    try:
        entries = _read_register(world)
        return [_score_changes(world, entries), _score_vectors(world, entries)]
    except (OSError, KeyError, tomllib.TOMLDecodeError) as error:
        reason = f"calibration/register.toml: {error!r}"
        return [
            judge_absent(_CHANGES, reason, high=0.0, unit="nights"),
            judge_absent(_VECTORS, reason, high=_LIMIT, unit="x photon floor"),
        ]
