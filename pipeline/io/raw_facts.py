"""What is known of a raw file before its pixels are read."""

from dataclasses import dataclass
from pathlib import PurePath

from pipeline.config import Config

__all__ = ["PlacedSegment", "Rejected", "SegmentFacts", "label_of", "refuse"]

Rejected = list[tuple[str, str]]
"""Paths and reasons of files left out."""


@dataclass(frozen=True)
class SegmentFacts:
    """What the headers of one raw file say.

    Parameters
    ----------
    path : str
        Absolute path.
    strip, chip, filter : str
        Names.
    shutter_open : bool
        False for a dark.
    number : int or None
        Segment number.
    time : float
        UTC as MJD of what `raw.time_refers_to` says.
    line_period : float
        Seconds per line.
    n_lines, n_raw_columns, bitpix : int
        Size of the image.
    """

    path: str
    strip: str
    chip: str
    filter: str
    shutter_open: bool
    number: int | None
    time: float
    line_period: float
    n_lines: int
    n_raw_columns: int
    bitpix: int

    @property
    def name(self) -> str:
        """Name of the file."""
        return PurePath(self.path).name

    @property
    def order(self) -> int:
        """Number within the strip."""
        return self.number or 0


@dataclass(frozen=True)
class PlacedSegment:
    """A segment and its first line on the strip's axis."""

    facts: SegmentFacts
    first_line: int


def refuse(rejected: Rejected, fact: SegmentFacts, reason: str) -> None:
    """Note a file that is left out; the reason begins with its name."""
    rejected.append((fact.path, f"{fact.name}: {reason}"))


def label_of(config: Config, word: str) -> str:
    """What the reader of a message looks for: the keyword, or the constant."""
    keyword = getattr(config.raw.keywords, word)
    return f"keyword {keyword}" if keyword else f"raw.constants.{word}"
