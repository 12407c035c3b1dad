"""A quick look at one strip, taken once or while the strip is still being written."""

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.config import LINE_BIN, Config
from pipeline.errors import DriftloomError, RawError, Stopped, UnfinishedError
from pipeline.glance import Glance, Preview
from pipeline.io.growing import FoundStrip, StripFinder
from pipeline.report.quicklook_page import write_quicklook
from pipeline.stopping import check_stop
from pipeline.tasks.glance import (
    BlockLook,
    GlanceVectors,
    PreviewMaker,
    choose_blocks,
    find_vectors,
    look_at_block,
)
from pipeline.tasks.glance_strip import Reference, describe_strip, load_reference
from pipeline.tasks.look_options import make_look_options

__all__ = ["MOST_BLOCKS", "follow_strip", "take_quicklook"]

MOST_BLOCKS = 32
"""Blocks that are looked at, more or less."""

_PATIENCE = 3.0  # times the quiet time, for a strip that its writer seems to have left
_NAP = 0.2  # s between looks at the clock and for a signal


class _Looker:
    """What is known of a strip from one update to the next."""

    def __init__(
        self, config: Config, path: Path, *, name: str | None, vectors: Path | None, blocks: int
    ) -> None:
        self.config, self.options = config, make_look_options(config)
        self.finder = StripFinder(path, config, name=name)
        self.path, self.products, self.blocks = path, vectors, blocks
        self.looks: dict[int, BlockLook] = {}
        self.preview = PreviewMaker(config)
        self.reference: Reference | None = None
        self.vectors: GlanceVectors | None = None
        self.vectors_text = ""
        self._whose = ""

    def find(self) -> FoundStrip:
        """The strip as it stands; once found, always the same one."""
        found = self.finder.look()
        if not self._whose:
            self._whose = found.strip.name
            if self.path.is_dir():
                self.finder.keep(found.strip.name)
        return found

    def describe(self, found: FoundStrip, *, growing: bool) -> Glance:
        """Look at what is new, and put everything together."""
        begin = time.perf_counter()
        strip = found.strip
        if self.reference is None:
            self.reference = load_reference(self.config, strip)
            self._load_vectors(found)
        bins = max(1, strip.n_lines // LINE_BIN)
        stride = max(1, -(-bins // self.blocks))
        if growing:  # blocks that were looked at stay in use: only every other one is dropped
            stride = 1 << (stride - 1).bit_length()
        starts = choose_blocks(strip, stride)
        looks: dict[int, BlockLook] = {}
        for start in starts:
            known = self.looks.get(start)
            stop = min(start + LINE_BIN, strip.n_lines)
            if known is None or known.stop != stop:
                known = look_at_block(self.config, self.options, strip, start)
            looks[start] = known
        self.looks = looks
        self.preview.update(strip)
        glance = describe_strip(
            self.config, self.options, found, list(looks.values()), self.reference,
            self.vectors, self.vectors_text,
        )  # fmt: skip
        preview = Preview(self.preview.cells, self.preview.step, self.preview.group)
        return replace(
            glance, preview=preview, n_read=self._count_read(strip.n_lines),
            seconds=time.perf_counter() - begin,
        )  # fmt: skip

    def _count_read(self, n_lines: int) -> int:
        """Lines of blocks and preview, none twice."""
        read = np.zeros(n_lines, dtype=bool)
        step = self.preview.step
        for start in range(0, len(self.preview.cells) * step, step):
            read[start : start + self.preview.group] = True
        for look in self.looks.values():
            read[look.start : look.stop] = True
        return int(np.count_nonzero(read))

    def _load_vectors(self, found: FoundStrip) -> None:
        if self.products is None:
            self.vectors_text = "none"
            return
        try:
            self.vectors = find_vectors(self.products, found.strip)
        except DriftloomError as error:
            self.vectors_text = f"none: {error}"
        else:
            self.vectors_text = self.vectors.text


def take_quicklook(
    config: Config,
    path: Path,
    out: Path | None,
    *,
    name: str | None = None,
    vectors: Path | None = None,
    blocks: int = MOST_BLOCKS,
) -> tuple[Glance, Path]:
    """Look at a strip once.

    Parameters
    ----------
    config : Config
        The observatory.
    path : Path
        A file of the strip, or a folder; of several strips in it, the one that began last with
        the shutter open.
    out : Path or None
        Folder for the page; ``quicklook/<strip>`` where None.
    name : str, optional
        Name of the strip in the folder.
    vectors : Path, optional
        Products of an earlier reduction, with calibrations.
    blocks : int
        About how many blocks of 256 lines are looked at.

    Returns
    -------
    glance : Glance
    page : Path

    Raises
    ------
    RawError
        If there is no strip.
    ProductError
        If the page cannot be written.
    """
    looker = _Looker(config, path, name=name, vectors=vectors, blocks=blocks)
    glance = looker.describe(looker.find(), growing=False)
    return glance, write_quicklook(glance, out or Path("quicklook") / glance.name)


def follow_strip(
    config: Config,
    path: Path,
    out: Path | None,
    *,
    name: str | None = None,
    vectors: Path | None = None,
    blocks: int = MOST_BLOCKS,
    every: float = 5.0,
    quiet: float = 60.0,
    tell: Callable[[Glance, Path], None],
) -> tuple[Glance, Path, str]:
    """Look at a strip again and again while it is being written.

    It ends when the last file holds every line that its header promises and nothing has come for
    the quiet time; when nothing has come for three times as long, whatever is promised; or when a
    signal asks for it. The page is written each time, and a last time at the end.

    Parameters
    ----------
    config, path, out, name, vectors, blocks
        As for `take_quicklook`; the strip need not be there yet.
    every : float
        Seconds from one look to the next.
    quiet : float
        Seconds without a new line after which a strip has ended.
    tell : callable
        Called with each glance and its page.

    Returns
    -------
    glance : Glance
    page : Path
    ending : str
        Why it ended.

    Raises
    ------
    RawError
        If there is no strip, or none comes within three times the quiet time.
    Stopped
        If a signal comes before any line.
    ProductError
        If the page cannot be written.
    """
    looker = _Looker(config, path, name=name, vectors=vectors, blocks=blocks)
    last: tuple[Glance, Path] | None = None
    lines, since = 0, time.monotonic()
    found: FoundStrip | None = None
    ending = ""
    while not ending:
        begin = time.monotonic()
        try:
            found = looker.find()
        except UnfinishedError as error:
            if found is None and begin - since > _PATIENCE * quiet:
                msg = f"{error}; nothing came within {_PATIENCE * quiet:g} s"
                raise RawError(msg) from error
        if found is not None and found.strip.n_lines != lines:
            lines = found.strip.n_lines
            last = _show(looker, found, out, refresh=max(2, round(every)))
            tell(*last)
            since = time.monotonic()  # nobody watched while the page was drawn
        else:
            ending = _ending(found, begin - since, quiet)
        try:
            _sleep(0.0 if ending else every - (time.monotonic() - begin))
        except Stopped:
            if last is None:
                raise
            ending = "asked to stop"
    assert found is not None
    # Without the mark that makes browsers load it again.
    glance, page = _show(looker, found, out, refresh=0, ending=ending)
    return glance, page, ending


def _show(
    looker: _Looker, found: FoundStrip, out: Path | None, *, refresh: int, ending: str = ""
) -> tuple[Glance, Path]:
    glance = looker.describe(found, growing=True)
    state = f"{glance.state}; " + (f"followed until: {ending}" if ending else "being followed")
    glance = replace(glance, state=state)
    return glance, write_quicklook(glance, out or Path("quicklook") / glance.name, refresh=refresh)


def _ending(found: FoundStrip | None, idle: float, quiet: float) -> str:
    """Why the strip has ended; empty where it goes on."""
    if found is None:
        return ""
    if found.complete and idle >= quiet:
        return f"its last file is whole and nothing came for {quiet:g} s"
    if idle >= _PATIENCE * quiet:
        return (
            f"nothing came for {_PATIENCE * quiet:g} s, though {found.promised} lines are promised"
        )
    return ""


def _sleep(seconds: float) -> None:
    """Wait, unless a signal asks to stop."""
    end = time.monotonic() + seconds
    check_stop()
    while (left := end - time.monotonic()) > 0:
        time.sleep(min(left, _NAP))
        check_stop()
