"""Raw strips: which files there are, whether they are sound, and how they join."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.config import Config
from pipeline.errors import RawError
from pipeline.io.layout import ImageLayout, find_layout, read_keyword
from pipeline.io.raw_facts import SegmentFacts
from pipeline.io.raw_join import join_segments
from pipeline.io.raw_read import read_lines, read_segment
from pipeline.io.start_time import parse_time
from pipeline.strip import Strip

__all__ = ["RawInventory", "find_strips", "read_facts", "read_lines", "read_segment"]


@dataclass(frozen=True)
class RawInventory:
    """What a raw folder holds.

    Parameters
    ----------
    strips : tuple of Strip
        In order of time; only sound segments.
    rejected : tuple of (str, str)
        Path and reason of every file that was left out.
    """

    strips: tuple[Strip, ...]
    rejected: tuple[tuple[str, str], ...]

    def __repr__(self) -> str:
        segments = sum(len(s.segments) for s in self.strips)
        return (
            f"<RawInventory: {len(self.strips)} strips of {segments} segments, "
            f"{len(self.rejected)} files rejected>"
        )


def find_strips(folder: str | Path, config: Config) -> RawInventory:
    """Find raw segments, check them, and join them into strips.

    Only headers and file sizes are read. A file that fails a check is left out with the reason;
    its lines become a gap where its neighbours tell how long it was.

    Parameters
    ----------
    folder : str or Path
        Folder of raw files; `raw.pattern` says which.
    config : Config
        How this camera writes its files, and what it is.

    Returns
    -------
    RawInventory
        Without a single sound file `strips` is empty and `rejected` says why.

    Raises
    ------
    RawError
        If the folder is missing or no file matches `raw.pattern`.
    """
    folder = Path(folder)
    if not folder.is_dir():
        msg = f"{folder}: no such folder; give the folder of the raw files"
        raise RawError(msg)
    paths = sorted(p for p in folder.glob(config.raw.pattern) if p.is_file())
    if not paths:
        msg = (
            f"{folder}: no file matches raw.pattern = {config.raw.pattern!r}; "
            "give another folder or correct the pattern"
        )
        raise RawError(msg)
    facts: list[SegmentFacts] = []
    rejected: list[tuple[str, str]] = []
    for path in paths:
        try:
            facts.append(read_facts(path, config))
        except RawError as error:
            rejected.append((str(path.resolve()), str(error)))
    strips, refused = join_segments(facts, config)
    return RawInventory(strips=strips, rejected=(*rejected, *refused))


def read_facts(
    path: Path, config: Config, *, whole: bool = True, timeless: bool = False
) -> SegmentFacts:
    """Check one raw file by its headers and size.

    Parameters
    ----------
    path : Path
        Raw file.
    config : Config
        How this camera writes its files, and what it is.
    whole : bool
        False takes a file that is still being written: `n_lines` is what its header promises.
    timeless : bool
        True takes a file without a start time or line period: both are 0 where they are unknown.

    Returns
    -------
    SegmentFacts

    Raises
    ------
    RawError
        With everything that is wrong with it: file, keyword, found, expected, remedy.
    """
    raw = config.raw
    layout = find_layout(path, hdu=raw.hdu, whole=whole, anew=True)
    shape = layout.shape if raw.line_axis == 2 else layout.shape[::-1]
    reader = _Words(path.name, layout, config)
    needed = max(max(a.data[1], a.overscan[1]) for a in config.camera.amplifier)
    across = f"NAXIS{3 - raw.line_axis}"
    if raw.width is not None and shape[1] != raw.width:
        reader.blame(
            f"{across}: found {shape[1]}, expected {raw.width} (raw.width)", "wrong camera?"
        )
    elif shape[1] < needed:
        reader.blame(
            f"{across}: found {shape[1]}, expected at least {needed} (the amplifiers' columns)",
            "check raw.line_axis and camera.amplifier",
        )
    if timeless:
        pace, clock = (_Words(path.name, layout, config) for _ in range(2))
        period, time = pace.line_period(), clock.start_time()
        period, time = 0.0 if pace.blamed else period, 0.0 if clock.blamed else time
    else:
        period, time = reader.line_period(), reader.start_time()
    shutter_open = reader.shutter_open()
    name = reader.text("strip") if raw.keywords.strip else path.name.split(".")[0]
    number = reader.segment()
    chip = reader.text("chip", default="1")
    # A dark strip needs no filter.
    filter_ = reader.text("filter", default=None if shutter_open else "")
    reader.raise_all()
    return SegmentFacts(
        path=str(path.resolve()),
        strip=_tidy(name),
        chip=_tidy(chip),
        filter=filter_,
        shutter_open=shutter_open,
        number=number,
        time=time,
        line_period=period,
        n_lines=shape[0],
        n_raw_columns=shape[1],
        bitpix=layout.bitpix,
    )


def _tidy(name: str) -> str:
    """Name fit for a folder."""
    kept = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name)
    return kept.lstrip(".") or "_"


class _Words:
    """Our words read from one file's headers; what is wrong is collected."""

    def __init__(self, name: str, layout: ImageLayout, config: Config) -> None:
        self._name = name
        self._layout = layout
        self._raw = config.raw
        self._problems: list[str] = []

    def blame(self, finding: str, remedy: str) -> None:
        """Note what is wrong and what to do."""
        self._problems.append(f"{self._name}: {finding}; {remedy}")

    @property
    def blamed(self) -> bool:
        """Whether anything was wrong."""
        return bool(self._problems)

    def raise_all(self) -> None:
        """Raise what was collected, if anything."""
        if self._problems:
            raise RawError("; ".join(self._problems))

    def _value(self, word: str, *, required: bool = True) -> Any:
        constant = getattr(self._raw.constants, word, None)
        if constant is not None:
            return constant
        keyword = getattr(self._raw.keywords, word)
        if keyword is None:
            return None
        try:
            value = read_keyword(self._layout, keyword, name=self._name)
        except RawError as error:
            self._problems.append(str(error))
            return None
        if value is None and required:
            self.blame(
                f"keyword {keyword} (raw.keywords.{word}): found none, expected a value",
                f"add it to the header, correct raw.keywords.{word}"
                + (f", or set raw.constants.{word}" if hasattr(self._raw.constants, word) else ""),
            )
        return value

    def _label(self, word: str) -> str:
        keyword = getattr(self._raw.keywords, word)
        return f"keyword {keyword} (raw.keywords.{word})" if keyword else f"raw.constants.{word}"

    def text(self, word: str, *, default: str | None = None) -> str:
        value = self._value(word, required=default is None)
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        return (default or "") if value is None else str(value)

    def line_period(self) -> float:
        value = self._value("line_period")
        if value is None:
            return 1.0
        number = _number(value)
        if number is None or number <= 0:
            kind = "lines per second" if self._raw.line_rate_given else "seconds per line"
            self.blame(
                f"{self._label('line_period')}: found {value!r}, "
                f"expected a positive number ({kind})",
                "correct the header or set raw.constants.line_period",
            )
            return 1.0
        return 1.0 / number if self._raw.line_rate_given else number

    def start_time(self) -> float:
        value = self._value("start_time")
        if value is None:
            return 0.0
        try:
            scale = read_keyword(self._layout, "TIMESYS", name=self._name) or "UTC"
            return parse_time(value, kind=self._raw.start_time_format, scale=str(scale))
        except RawError as error:
            self._problems.append(str(error))
        except ValueError as error:
            self.blame(
                f"{self._label('start_time')}: found {value!r}, expected {error}",
                "correct the header or raw.start_time_format",
            )
        return 0.0

    def shutter_open(self) -> bool:
        value = self._value("shutter")
        if value is None:
            return True
        closed = {v.strip().casefold() for v in self._raw.shutter_closed_values}
        return str(value).strip().casefold() not in closed

    def segment(self) -> int | None:
        if self._raw.keywords.segment is None:
            return None
        value = self._value("segment")
        number = _number(value)
        if value is not None and (number is None or number < 0 or not number.is_integer()):
            self.blame(
                f"{self._label('segment')}: found {value!r}, expected a whole number, 0 or more",
                "correct the header",
            )
            return 0
        return None if number is None else int(number)


def _number(value: Any) -> float | None:
    """Finite number, written as number or text; None where it is none."""
    if isinstance(value, bool):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None
