"""Joining checked segments into strips. Pure: no file is opened."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import replace

from pipeline.config import LINE_BIN, Config
from pipeline.io.raw_facts import PlacedSegment, Rejected, SegmentFacts, label_of, refuse
from pipeline.io.raw_place import (
    LONGEST_GAP,
    name_missing,
    place_by_own_times,
    place_by_strip_time,
)
from pipeline.strip import Segment, Strip, add_seconds, night_of

__all__ = ["join_segments"]

_PERIOD_TOLERANCE = 1e-6  # relative; less than a line in a night's strip


def join_segments(
    facts: Iterable[SegmentFacts], config: Config
) -> tuple[tuple[Strip, ...], tuple[tuple[str, str], ...]]:
    """Join segments into strips.

    Parameters
    ----------
    facts : iterable of SegmentFacts
        Checked files in any order; file names play no part in the order of segments.
    config : Config
        Camera, site, and what the start time refers to.

    Returns
    -------
    strips : tuple of Strip
        In order of time, then name.
    rejected : tuple of (str, str)
        Path and reason of every file left out.
    """
    groups: dict[tuple[str, str], list[SegmentFacts]] = defaultdict(list)
    for fact in facts:
        groups[fact.strip, fact.chip].append(fact)
    strips: list[Strip] = []
    rejected: Rejected = []
    for key in sorted(groups):
        for cluster in _split_nights(groups[key], config):
            refused: Rejected = []
            kept = _keep_consistent(cluster, config, refused)
            kept = _drop_duplicates(kept, config, refused)
            if config.raw.time_refers_to == "first_line":
                placed, problems = place_by_own_times(kept, config, refused)
            else:
                placed, problems = place_by_strip_time(kept, config, refused)
            rejected += refused
            if placed:
                problems += [reason for _, reason in refused]
                strips.append(_make_strip(placed, problems, config))
    strips = _separate_names(strips)
    return tuple(sorted(strips, key=lambda s: (s.mjd_start, s.name))), tuple(rejected)


def _split_nights(group: list[SegmentFacts], config: Config) -> list[list[SegmentFacts]]:
    """Split files of one strip name where they are far apart in time.

    One file far off in time whose number fits the others is left with them: its clock is wrong,
    not its name, and placing it will say so.
    """
    ordered = sorted(group, key=lambda f: (f.time, f.order, f.path))
    clusters = [[ordered[0]]]
    latest = ordered[0].time
    for fact in ordered[1:]:
        if (fact.time - latest) * 86400.0 > LONGEST_GAP:
            clusters.append([])
        clusters[-1].append(fact)
        # The end of a strip refers to its last line, a start to the first of that file.
        own = config.raw.time_refers_to != "strip_end"
        latest = fact.time + (fact.n_lines * fact.line_period / 86400.0 if own else 0.0)
    if config.raw.keywords.segment is None:
        return [
            [replace(f, number=config.raw.first_segment + i) for i, f in enumerate(cluster)]
            for cluster in clusters
        ]
    numbers = [f.order for f in ordered]
    return clusters if len(set(numbers)) < len(numbers) else [ordered]


def _keep_consistent(
    cluster: list[SegmentFacts], config: Config, refused: Rejected
) -> list[SegmentFacts]:
    """Leave out segments that differ from the rest in what a strip has only one of."""
    words: list[tuple[str, str, Callable[[SegmentFacts], object]]] = [
        ("filter", label_of(config, "filter"), lambda f: f.filter),
        ("shutter state", label_of(config, "shutter"), lambda f: f.shutter_open),
        ("raw columns", f"NAXIS{3 - config.raw.line_axis}", lambda f: f.n_raw_columns),
        ("pixel type", "BITPIX", lambda f: f.bitpix),
    ]
    for word, label, value in words:
        votes: Counter[object] = Counter()
        for fact in cluster:
            votes[value(fact)] += fact.n_lines
        common = votes.most_common(1)[0][0] if votes else None
        for fact in cluster:
            if value(fact) != common:
                refuse(
                    refused,
                    fact,
                    f"{label}: found {word} {value(fact)!r}, expected {common!r} "
                    f"as in the rest of strip {fact.strip}; correct the header or its strip "
                    "name",
                )
        cluster = [f for f in cluster if value(f) == common]
    if not cluster:
        return cluster
    lengths: Counter[float] = Counter()
    for fact in cluster:
        lengths[fact.line_period] += fact.n_lines
    common_period = lengths.most_common(1)[0][0]
    kept = []
    for fact in cluster:
        if abs(fact.line_period / common_period - 1.0) > _PERIOD_TOLERANCE:
            refuse(
                refused,
                fact,
                f"{label_of(config, 'line_period')}: found a line period of "
                f"{fact.line_period:.9g} s, expected {common_period:.9g} s as in the rest of "
                f"strip {fact.strip}; a strip has one line period: correct the header or its "
                "strip name",
            )
        else:
            kept.append(fact)
    return kept


def _drop_duplicates(
    cluster: list[SegmentFacts], config: Config, refused: Rejected
) -> list[SegmentFacts]:
    """Leave out copies of a segment; where two differ, neither can be trusted."""
    by_number: dict[int, list[SegmentFacts]] = defaultdict(list)
    for fact in sorted(cluster, key=lambda f: f.path):
        by_number[fact.order].append(fact)
    kept = []
    for number, same in sorted(by_number.items()):
        first, *others = same
        alike = all(f.time == first.time and f.n_lines == first.n_lines for f in others)
        if alike:
            kept.append(first)
        for fact in others if alike else same:
            names = " and ".join(f.name for f in same if f is not fact)
            what = "a copy of" if alike else "and differs from"
            refuse(
                refused,
                fact,
                f"{label_of(config, 'segment')}: duplicate segment number {number} "
                f"of strip {fact.strip}, {what} {names}; expected each number once: remove "
                "the wrong file",
            )
    return kept


def _make_strip(placed: list[PlacedSegment], problems: list[str], config: Config) -> Strip:
    first = placed[0].facts
    lead, reason = _find_lead(placed, config)
    if reason:
        problems = [reason, *problems]
    segments = tuple(
        Segment(path=p.facts.path, number=p.facts.order, first_line=p.first_line + lead,
                n_lines=p.facts.n_lines)
        for p in placed
    )  # fmt: skip
    n_lines = segments[-1].stop_line
    gaps, line = [], 0
    for segment in segments:
        if segment.first_line > line:
            gaps.append((line, segment.first_line))
        line = segment.stop_line
    start = first.time
    if config.raw.time_refers_to == "strip_end":
        start = float(add_seconds(first.time, -(n_lines - 1) * first.line_period))
    elif lead:
        start = float(add_seconds(first.time, -lead * first.line_period))
    if n_lines <= config.camera.n_stage:
        ramp = f"the strip is all ramp: {n_lines} lines, n_stage is {config.camera.n_stage}"
        problems = [*problems, ramp]
    return Strip(
        name=first.strip,
        night=night_of(start, longitude=config.observatory.longitude),
        chip=first.chip,
        filter=first.filter,
        shutter_open=first.shutter_open,
        mjd_start=start,
        line_period=first.line_period,
        n_lines=n_lines,
        n_columns=config.camera.columns,
        n_raw_columns=first.n_raw_columns,
        n_stage=config.camera.n_stage,
        amplifiers=config.amplifiers,
        segments=segments,
        gaps=tuple(gaps),
        problems=tuple(problems),
    )


def _find_lead(placed: list[PlacedSegment], config: Config) -> tuple[int, str]:
    """Lines that went before the first file: they hold no data, but the chip was integrating.

    Returns
    -------
    lines : int
        Length of the gap before the first file.
    reason : str
        What the reader should know; empty for nothing.
    """
    facts = placed[0].facts
    lost = facts.number - config.raw.first_segment if facts.number is not None else 0
    if placed[0].first_line > 0:  # placed from the time of the strip's start, gap and all
        return 0, ""
    reason = ""
    if lost > 0:
        what = name_missing(config.raw.first_segment, facts.order)
        reason = f"{what} missing: the strip begins with segment {facts.order}"
    if config.raw.starts_full:
        # Whole bins, so that no bin of the summary mixes gap and data.
        return -(-config.camera.n_stage // LINE_BIN) * LINE_BIN, reason
    if lost <= 0:
        return 0, ""
    lengths = {p.facts.n_lines for p in placed[:-1]} or {facts.n_lines}
    if len(lengths) > 1:
        return 0, (
            f"{reason}; the others differ in length, so the lines lost cannot be counted and its "
            f"first {config.camera.n_stage} lines are taken as a ramp"
        )
    length = lengths.pop()
    return lost * length, (
        f"{reason}; taken to be as long as the others ({length} lines): lines 0 to "
        f"{lost * length - 1} have no data"
    )


def _separate_names(strips: list[Strip]) -> list[Strip]:
    """Add the chip to the name where two chips share one within a night."""
    count = Counter((s.night, s.name) for s in strips)
    return [
        replace(s, name=f"{s.name}-{s.chip}") if count[s.night, s.name] > 1 else s for s in strips
    ]
