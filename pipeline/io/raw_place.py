"""Placing the segments of a strip on its line axis by numbers and times. Pure."""

import itertools

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.io.raw_facts import PlacedSegment, Rejected, SegmentFacts, label_of, refuse
from pipeline.strip import add_seconds, format_time, seconds_between

__all__ = ["LONGEST_GAP", "name_missing", "place_by_own_times", "place_by_strip_time"]

LONGEST_GAP = 43200.0
"""Seconds; strips of one name in different nights are further apart."""


def place_by_own_times(
    cluster: list[SegmentFacts], config: Config, refused: Rejected
) -> tuple[list[PlacedSegment], list[str]]:
    """Place segments whose headers time their own first lines.

    The longest chain of segments whose numbers and times agree is kept. Gaps are bridged by the
    time of the segment after them, to the nearest line.

    Parameters
    ----------
    cluster : list of SegmentFacts
        Segments of one strip, in the order of their numbers.
    config : Config
        Gives the tolerance.
    refused : list of (str, str)
        Files left out are added.

    Returns
    -------
    placed : list of PlacedSegment
    problems : list of str
    """
    if not cluster:
        return [], []
    times = seconds_between(cluster[0].time, np.array([f.time for f in cluster]))
    if len(cluster) > 1 and np.ptp(times) == 0:
        for fact in cluster:
            refuse(
                refused,
                fact,
                f"{label_of(config, 'start_time')}: all {len(cluster)} segments of "
                f"strip {fact.strip} have the same start time, expected that of their own "
                "first lines; set raw.time_refers_to to 'shutter_open' or 'strip_end'",
            )
        return [], []
    period = cluster[0].line_period
    tolerance = max(config.raw.time_tolerance, 0.5 * period)
    ends = times + np.array([f.n_lines for f in cluster]) * period
    chain = _longest_chain(cluster, times, ends, tolerance)
    problems: list[str] = []
    for index in sorted(set(range(len(cluster))) - set(chain)):
        refuse(refused, cluster[index], _contradiction(index, chain, cluster, config))
    placed = [PlacedSegment(cluster[chain[0]], 0)]
    for before, after in itertools.pairwise(chain):
        gap = float(times[after] - ends[before])
        line = placed[-1].first_line + cluster[before].n_lines
        skipped = cluster[after].order - cluster[before].order - 1
        n_gap = max(0, round(gap / period)) if skipped or gap > tolerance else 0
        if n_gap:
            what = name_missing(cluster[before].order + 1, cluster[after].order)
            reason = f"{what} missing" if skipped else f"the clock jumps by {gap:.3f} s"
            problems.append(
                f"{reason} before segment {cluster[after].order}: lines {line} to "
                f"{line + n_gap - 1} have no data"
            )
        placed.append(PlacedSegment(cluster[after], line + n_gap))
    return placed, problems


def _longest_chain(
    cluster: list[SegmentFacts],
    times: NDArray[np.float64],
    ends: NDArray[np.float64],
    tolerance: float,
) -> list[int]:
    """Positions of the segments that agree, most lines first."""
    numbers = np.array([f.order for f in cluster])
    lines = np.array([f.n_lines for f in cluster], dtype=float)
    score = lines.copy()
    previous = np.full(len(cluster), -1)
    for index in range(1, len(cluster)):
        gap = times[index] - ends[:index]
        # A gap between consecutive numbers is possible but less likely than a wrong clock.
        unexplained = (gap > tolerance) & (numbers[index] - numbers[:index] == 1)
        total = score[:index] - 0.5 * np.where(unexplained, lines[index], 0.0)
        total = np.where((gap >= -tolerance) & (gap < LONGEST_GAP), total, -np.inf)
        best = int(np.argmax(total))
        if total[best] > 0:
            score[index] += total[best]
            previous[index] = best
    chain = [int(np.argmax(score))]
    while previous[chain[-1]] >= 0:
        chain.append(int(previous[chain[-1]]))
    return chain[::-1]


def _contradiction(
    index: int, chain: list[int], cluster: list[SegmentFacts], config: Config
) -> str:
    """Why a segment does not fit between its neighbours."""
    fact = cluster[index]
    label = label_of(config, "start_time")
    before = [i for i in chain if i < index]
    after = [i for i in chain if i > index]
    text = f"{label}: found {format_time(fact.time)}"
    length = fact.n_lines * fact.line_period
    if before:
        other = cluster[before[-1]]
        end = float(add_seconds(other.time, other.n_lines * other.line_period))
        relation = "at the end of" if fact.order == other.order + 1 else "after"
        text += f", expected {format_time(end)} {relation} segment {other.order} ({other.name})"
        apart = float(seconds_between(other.time, fact.time))
        implied = apart / other.n_lines
        if fact.order == other.order + 1 and abs(implied / other.line_period - 1.0) < 0.01:
            text += f"; their times would fit a line period of {implied:.9g} s"
    elif after:
        other = cluster[after[0]]
        limit = float(add_seconds(other.time, -length))
        text += (
            f", expected {format_time(limit)} or earlier, so that its {fact.n_lines} lines end "
            "before "
            f"segment {other.order} ({other.name})"
        )
    return (
        f"{text}; segment times contradict each other: correct the header or its number, or raise "
        "raw.time_tolerance"
    )


def place_by_strip_time(
    cluster: list[SegmentFacts], config: Config, refused: Rejected
) -> tuple[list[PlacedSegment], list[str]]:
    """Place segments whose headers all carry one time, that of the strip.

    Missing segments are taken to be as long as the others; where those differ, what lies beyond
    the hole cannot be placed.

    Parameters
    ----------
    cluster : list of SegmentFacts
        Segments of one strip, in the order of their numbers.
    config : Config
        Says whether the time is that of the strip's start or end.
    refused : list of (str, str)
        Files left out are added.

    Returns
    -------
    placed : list of PlacedSegment
    problems : list of str
    """
    if not cluster:
        return [], []
    if len(cluster) > 1 and config.raw.keywords.segment is None:
        for fact in cluster:
            refuse(
                refused,
                fact,
                f"{len(cluster)} files of strip {fact.strip} cannot be put in order, since "
                f"raw.time_refers_to = {config.raw.time_refers_to!r}; set raw.keywords.segment",
            )
        return [], []
    times = seconds_between(cluster[0].time, np.array([f.time for f in cluster]))
    middle = float(np.sort(times)[(len(times) - 1) // 2])
    kept = []
    for fact, time in zip(cluster, times, strict=True):
        if abs(time - middle) > config.raw.time_tolerance:
            expected = format_time(float(add_seconds(cluster[0].time, middle)))
            refuse(
                refused,
                fact,
                f"{label_of(config, 'start_time')}: found {format_time(fact.time)}, "
                f"expected {expected} as in the rest of strip {fact.strip}, since "
                f"raw.time_refers_to = {config.raw.time_refers_to!r}; correct the header, or "
                "set raw.time_refers_to to 'first_line'",
            )
        else:
            kept.append(fact)
    at_end = config.raw.time_refers_to == "strip_end"
    lowest = kept[0].order if at_end else min(config.raw.first_segment, kept[0].order)
    lengths = {f.n_lines for f in kept[:-1]} or {kept[0].n_lines}
    equal = lengths.pop() if len(lengths) == 1 else None
    problems: list[str] = []
    placed: list[PlacedSegment] = []
    line, expected_number = 0, lowest
    for position, fact in enumerate(kept):
        skipped = fact.order - expected_number
        if skipped and equal is None:
            lost = placed if at_end else [PlacedSegment(f, 0) for f in kept[position:]]
            for item in lost:
                refuse(refused, item.facts, _unplaceable(expected_number, fact))
            if not at_end:
                break
            placed, line = [], 0
        elif skipped and equal is not None:
            what = name_missing(expected_number, fact.order)
            n_gap = skipped * equal
            problems.append(
                f"{what} missing, taken to be as long as the others ({equal} lines): lines {line} "
                f"to {line + n_gap - 1} have no data"
            )
            line += n_gap
        placed.append(PlacedSegment(fact, line))
        line += fact.n_lines
        expected_number = fact.order + 1
    return placed, problems


def _unplaceable(number: int, after: SegmentFacts) -> str:
    return (
        f"cannot be placed: {name_missing(number, after.order)} missing, the segments differ in "
        "length and carry no times of their own; restore the missing file"
    )


def name_missing(first: int, stop: int) -> str:
    """Words for the segments from one number up to another: subject and verb."""
    return f"segment {first} is" if stop - first == 1 else f"segments {first} to {stop - 1} are"
