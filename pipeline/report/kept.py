"""Pieces of the report: each is made from some files or values, and stands while these do.

A piece writes its pictures and texts, and gives numbers and words. What it was made from, what it
wrote and what it gave are kept in ``report/parts/``, so that a run makes only what changed.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from pipeline.attempt import Task
from pipeline.errors import DiskFullError
from pipeline.io.atomic import write_text
from pipeline.io.solution import to_plain
from pipeline.recipes import digest_code
from pipeline.report.ground import save_both

if TYPE_CHECKING:
    from pipeline.runners import Runner

__all__ = [
    "PARTS", "Made", "Piece", "digest_drawing", "digest_values", "identify", "make_pieces",
    "read_kept", "remove_others",
]  # fmt: skip

_LABEL = "report"
PARTS = "parts"
_DAMAGE = (OSError, ValueError, KeyError, TypeError, AttributeError)


@dataclass(frozen=True)
class Made:
    """What a piece is: numbers and words for the pages, figures and texts for files."""

    content: Mapping[str, Any] = field(default_factory=dict)
    figures: Mapping[str, Figure] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Piece:
    """One piece of the report.

    Parameters
    ----------
    key : str
        Names it, such as "strips/2025-03-02/s01"; it is kept under this name.
    folder : str
        Where its files go, relative to the report.
    function : callable
        Takes `args` and gives `Made`; runs on any worker.
    args : tuple
    files : tuple of Path
        What it is made from.
    values : str
        Digest of what else it is made from; see `digest_values`.
    """

    key: str
    folder: str
    function: Callable[..., Made]
    args: tuple[Any, ...]
    files: tuple[Path, ...] = ()
    values: str = ""

    def kept(self, report: Path) -> Path:
        """Where it is kept."""
        return report / PARTS / f"{self.key}.json"

    def identity(self) -> dict[str, Any]:
        """What it is made from, and by which code, in what JSON has."""
        return {
            "code": digest_drawing(), "files": [identify(p) for p in self.files],
            "values": self.values,
        }  # fmt: skip


@cache
def digest_drawing() -> str:
    """Version and digest of this program with what draws, and versions of what it draws with."""
    digest = hashlib.sha256()
    root = Path(__file__).parent
    for path in sorted(p for p in root.rglob("*") if p.suffix in {".py", ".html"}):
        digest.update(f"{path.relative_to(root).as_posix()}\n".encode())
        digest.update(path.read_bytes())
    libraries = f"numpy {np.__version__}, matplotlib {mpl.__version__}"
    return f"{digest_code()}, report {digest.hexdigest()[:16]}, {libraries}"


def digest_values(*values: Any) -> str:
    """SHA-256 of arrays, numbers, words, and lists, tuples and mappings of such.

    Mappings count in their order, which may be that of the curves of a picture.
    """
    digest = hashlib.sha256()
    _feed(digest.update, values)
    return digest.hexdigest()


def _feed(update: Callable[[bytes], Any], value: Any) -> None:
    if isinstance(value, np.ndarray):
        update(f"array {value.dtype.str} {value.shape} ".encode())
        update(np.ascontiguousarray(value).tobytes())
    elif isinstance(value, Mapping):
        update(f"mapping {len(value)} ".encode())
        for key, inner in value.items():
            _feed(update, key)
            _feed(update, inner)
    elif isinstance(value, list | tuple):
        update(f"sequence {len(value)} ".encode())
        for inner in value:
            _feed(update, inner)
    else:
        text = repr(value.item() if isinstance(value, np.generic) else value).encode()
        update(f"{type(value).__name__} {len(text)} ".encode() + text)


def identify(path: Path) -> list[Any]:
    """Name, size and time of modification in ns of a file; size -1 where there is none."""
    try:
        status = path.stat()
    except OSError:
        return [path.name, -1, -1]
    return [path.name, status.st_size, status.st_mtime_ns]


def read_kept(path: Path) -> dict[str, Any] | None:
    """JSON of a kept piece; None where it is missing or damaged."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return kept if isinstance(kept, dict) else None


def _standing(report: Path, piece: Piece) -> dict[str, Any] | None:
    """What a piece gave, where nothing changed since and all its files are as they were left."""
    kept = read_kept(piece.kept(report))
    if kept is None or kept.get("made_from") != piece.identity():
        return None
    folder = report / piece.folder
    try:
        if any(identify(folder / str(row[0])) != row for row in kept["wrote"]):
            return None
        return dict(kept["content"])
    except _DAMAGE:
        return None


def _files_of(kept: Mapping[str, Any] | None) -> set[str]:
    """Files that a piece wrote, by name only."""
    try:
        return set() if kept is None else {Path(str(row[0])).name for row in kept["wrote"]}
    except _DAMAGE:
        return set()


def _make(report: Path, piece: Piece) -> dict[str, Any]:
    """Make one piece, write its files and keep it; what it gave."""
    before = _files_of(read_kept(piece.kept(report)))
    identity = piece.identity()  # before anything is read: what changes meanwhile is seen next time
    made = piece.function(*piece.args)
    folder = report / piece.folder
    names = list(made.texts)
    for name, figure in made.figures.items():
        save_both(figure, folder, name)
        names += [f"{name}.png", f"{name}-dark.png"]
    for name, text in made.texts.items():
        write_text(folder / name, text)
    for name in before - set(names):
        (folder / name).unlink(missing_ok=True)
    content: dict[str, Any] = to_plain(made.content)
    kept = {
        "made_from": identity, "folder": piece.folder,
        "wrote": [identify(folder / name) for name in names], "content": content,
    }  # fmt: skip
    # On one line: with line breaks it would take Python ten times as long.
    write_text(piece.kept(report), json.dumps(kept, allow_nan=False) + "\n")
    return content


def make_pieces(
    report: Path, pieces: Iterable[Piece], runner: "Runner"
) -> tuple[dict[str, dict[str, Any]], dict[str, str]]:
    """Make the pieces that changed or are damaged, and give what all gave.

    Parameters
    ----------
    report : Path
        Folder of the report.
    pieces : iterable of Piece
        Those that stand are dropped at once.
    runner : Runner
        Runs what is to be made.

    Returns
    -------
    contents : dict of str to dict
        By key.
    failures : dict of str to str
        Reason by key, of those that could not be made.

    Raises
    ------
    DiskFullError
        If there is no room for what they write.
    """
    contents, todo = {}, []
    for piece in pieces:
        content = _standing(report, piece)
        if content is None:
            todo.append(piece)
        else:
            contents[piece.key] = content
    if not todo:
        return contents, {}
    failures: dict[str, str] = {}
    tasks = [Task(piece.key, (piece,)) for piece in todo]
    outcomes = runner.run(_make, tasks, label=_LABEL, common=(report,))
    for key in (task.key for task in tasks):
        outcome = outcomes[key]
        if outcome.disk_full:
            raise DiskFullError(outcome.error)
        if outcome.error is None:
            contents[key] = outcome.value
        else:
            failures[key] = outcome.error
    return contents, failures


def remove_others(report: Path, wanted: Iterable[str]) -> None:
    """Remove kept pieces of other keys, with the files that they wrote.

    Parameters
    ----------
    report : Path
        Folder of the report.
    wanted : iterable of str
        Keys that stay.
    """
    parts = report / PARTS
    keys = set(wanted)
    for path in sorted(parts.rglob("*.json")):
        if path.relative_to(parts).with_suffix("").as_posix() in keys:
            continue
        kept = read_kept(path)
        folder = _folder_of(report, kept)
        for name in _files_of(kept) if folder else ():
            (folder / name).unlink(missing_ok=True)
        path.unlink(missing_ok=True)
        for empty in (path.parent, folder):
            if empty not in {report, parts}:
                with suppress(OSError):
                    empty.rmdir()


def _folder_of(report: Path, kept: Mapping[str, Any] | None) -> Path:
    """Where a piece wrote: the report or a folder in it, whatever a damaged file says."""
    name = Path(str((kept or {}).get("folder", ""))).name
    return report / name if name != ".." else report
