"""A strip that may still be written: which one it is, and how many of its lines are there."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.config import Config
from pipeline.errors import RawError, UnfinishedError
from pipeline.io.layout import ImageLayout, find_layout
from pipeline.io.raw import read_facts
from pipeline.io.raw_facts import SegmentFacts
from pipeline.io.raw_join import join_segments
from pipeline.strip import Segment, Strip

__all__ = ["FoundStrip", "StripFinder"]

_SIDEREAL = 15.041067  # arcsec of hour angle in a second of UTC
_NO_DATE = 51544.0  # MJD; stands for a date that is not known, 2000-01-01


@dataclass(frozen=True)
class FoundStrip:
    """A strip as far as it is written.

    Parameters
    ----------
    strip : Strip
        Only lines that are there.
    promised : int
        Lines that the headers of its files promise.
    timeless : str
        What its headers lack where they tell no start time or no line period; dates and times of
        day are unknown then.
    others : tuple of str
        Other strips of the folder.
    rejected : tuple of str
        Files of the folder that were left out, with the reason.
    """

    strip: Strip
    promised: int
    timeless: str
    others: tuple[str, ...]
    rejected: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether its last file holds all the lines that it promises."""
        return self.strip.n_lines >= self.promised


class StripFinder:
    """Finds one strip again and again while it grows.

    Parameters
    ----------
    path : Path
        A file of the strip, or a folder; of several strips in it, the one that began last with
        the shutter open.
    config : Config
        How this camera writes its files, and what it is.
    name : str, optional
        Name of the strip in the folder.
    """

    def __init__(self, path: Path, config: Config, *, name: str | None = None) -> None:
        self._path, self._config, self._name = Path(path), config, name
        self._facts: dict[Path, tuple[tuple[int, int], SegmentFacts | RawError]] = {}

    def keep(self, name: str) -> None:
        """From now on look for the strip of that name alone, whichever begins after it."""
        self._name = name

    def look(self) -> FoundStrip:
        """The strip as it stands.

        Returns
        -------
        FoundStrip

        Raises
        ------
        UnfinishedError
            If no line of it is there yet; another look may find some.
        RawError
            If there is no such file or strip, or the file is none of this camera's.
        """
        files = self._list_files()
        facts: list[SegmentFacts] = []
        timeless: list[SegmentFacts] = []
        refused: list[tuple[Path, RawError]] = []
        for path in files:
            found = self._read(path)
            if isinstance(found, RawError):
                refused.append((path, found))
            elif found.line_period > 0 and found.time > 0:
                facts.append(found)
            else:
                timeless.append(found)
        wanted = None if self._path.is_dir() else str(self._path.resolve())
        if wanted is not None:
            for path, error in refused:
                if str(path.resolve()) == wanted:
                    raise error
        config, no_time = self._config, ""
        if any(f.path == wanted for f in timeless) or (timeless and not facts):
            no_time = self._blame(timeless[0])
            config, facts = _without_times(config, timeless)
        strips, left_out = join_segments(facts, config)
        rejected = [*(str(error) for _, error in refused), *(reason for _, reason in left_out)]
        strip = self._choose(strips, wanted, rejected, refused)
        cut, promised = _cut(strip, config)
        return FoundStrip(
            strip=cut, promised=promised, timeless=no_time, rejected=tuple(rejected),
            others=tuple(s.name for s in strips if s is not strip),
        )  # fmt: skip

    def _list_files(self) -> list[Path]:
        if not self._path.exists():
            msg = f"{self._path}: no such file or folder; give a FITS file or the folder of a strip"
            raise RawError(msg)
        single = not self._path.is_dir()
        folder = self._path.parent if single else self._path
        files = {p for p in folder.glob(self._config.raw.pattern) if p.is_file()}
        if single:
            files.add(self._path)
        if not files:
            msg = f"{folder}: no file matches raw.pattern = {self._config.raw.pattern!r} yet"
            raise UnfinishedError(msg)
        return sorted(files)

    def _read(self, path: Path) -> SegmentFacts | RawError:
        """Facts of a file; those of a file that has not changed are remembered."""
        try:
            stat = path.stat()
        except OSError as error:
            return RawError(f"{path.name}: cannot be read ({error.strerror})")
        stamp = (stat.st_size, stat.st_mtime_ns)
        known = self._facts.get(path)
        if known is not None and known[0] == stamp:
            return known[1]
        found: SegmentFacts | RawError
        try:
            found = read_facts(path, self._config, whole=False, timeless=True)
        except RawError as error:
            found = error
        self._facts[path] = (stamp, found)
        return found

    def _blame(self, fact: SegmentFacts) -> str:
        """What is wrong with the times of a file."""
        try:
            read_facts(Path(fact.path), self._config, whole=False)
        except RawError as error:
            return str(error)
        return f"{fact.name}: its times cannot be used"

    def _choose(
        self,
        strips: Sequence[Strip],
        wanted: str | None,
        rejected: Sequence[str],
        refused: Sequence[tuple[Path, RawError]],
    ) -> Strip:
        if wanted is not None:
            for strip in strips:
                if any(s.path == wanted for s in strip.segments):
                    return strip
            raise RawError("; ".join(rejected) or f"{wanted}: belongs to no strip")
        if self._name is not None:
            named = [s for s in strips if s.name == self._name]
            if named:
                return named[-1]
            have = ", ".join(s.name for s in strips) or "none"
            raise RawError(f"{self._path}: no strip {self._name!r}; the folder has {have}")
        if strips:
            return ([s for s in strips if s.shutter_open] or list(strips))[-1]
        if refused and all(isinstance(e, UnfinishedError) for _, e in refused):
            raise refused[0][1]
        raise RawError("; ".join(rejected) or f"{self._path}: holds no strip")


def _without_times(
    config: Config, facts: Sequence[SegmentFacts]
) -> tuple[Config, list[SegmentFacts]]:
    """Files placed by their numbers alone, at the pace of the sky where the line period lacks."""
    cosine = math.cos(math.radians(config.axis_declination))
    drift = config.camera.pixel_scale / (_SIDEREAL * cosine)
    if config.raw.starts_full:
        config = config.with_value("raw.starts_full", value=False)
    config = config.with_value("raw.time_refers_to", "shutter_open")
    periods = [f.line_period for f in facts if f.line_period > 0]
    period = periods[0] if periods else drift
    return config, [replace(f, time=_NO_DATE, line_period=period) for f in facts]


def _cut(strip: Strip, config: Config) -> tuple[Strip, int]:
    """The strip with the lines that are there, and the number that is promised."""
    segments: list[Segment] = []
    for segment in strip.segments:
        n_lines = _count_lines(segment, config)
        if n_lines:
            segments.append(replace(segment, n_lines=n_lines))
    if not segments:
        raise UnfinishedError(f"strip {strip.name}: no line of it is written yet")
    gaps, line = [], 0
    for segment in segments:
        if segment.first_line > line:
            gaps.append((line, segment.first_line))
        line = segment.stop_line
    cut = replace(strip, segments=tuple(segments), gaps=tuple(gaps), n_lines=line)
    return cut, strip.n_lines


def _count_lines(segment: Segment, config: Config) -> int:
    """Complete lines that a file holds."""
    path = Path(segment.path)
    try:
        size = path.stat().st_size
        layout = find_layout(path, hdu=config.raw.hdu, whole=False)
    except (OSError, RawError):
        return 0
    if layout.packed or layout.tiled:
        return segment.n_lines
    if config.raw.line_axis == 1 or config.raw.flip_lines:
        # Its lines are complete only with the file.
        return segment.n_lines if size >= layout.offset + layout.n_bytes else 0
    row = _row_bytes(layout)
    count = min(segment.n_lines, max(0, size - layout.offset) // row)
    # A file of full size from the beginning is filled line by line: zeros are not written yet.
    if not count or not _is_blank(path, layout, count - 1):
        return count
    low, high = 0, count - 1  # the first blank line lies in low..high
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if _is_blank(path, layout, middle) else (middle + 1, high)
    return low


def _row_bytes(layout: ImageLayout) -> int:
    return layout.shape[1] * abs(layout.bitpix) // 8


def _is_blank(path: Path, layout: ImageLayout, line: int) -> bool:
    """Whether a stored row is nothing but zero bytes."""
    row = _row_bytes(layout)
    with path.open("rb") as stream:
        stream.seek(layout.offset + line * row)
        return not any(stream.read(row))
