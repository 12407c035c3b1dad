"""Outcomes of tasks kept on disk, so that work that stands is not done again.

Every place of a run (a block of a strip, a tile in a filter) has one slot, a file below ``work``.
It holds the recipe of the outcome in words, the outcome itself, and fingerprints of the products
that were written with it. A slot that is filled again loses what it held, so the folder does not
grow from run to run. An outcome stands when its recipe is the one asked for, its file is whole,
and its products are what they were.
"""

import errno
import hashlib
import json
import os
import pickle
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import ProductError
from pipeline.io.atomic import explain_failure, write_bytes
from pipeline.io.fingerprint import fingerprint_file

__all__ = ["Entry", "Store", "link_file", "load_outcome"]

FOLDER = "work"
_SUFFIX = ".entry"
_MAGIC = b"driftloom outcome 1\n"
# File systems that have no hard links, or none between these two places.
_NO_LINKS = {errno.EXDEV, errno.EPERM, errno.ENOTSUP, errno.EMLINK, errno.ENOSYS}


@dataclass(frozen=True)
class Entry:
    """What a slot holds.

    Parameters
    ----------
    path : Path
        The file.
    key : str
        Digest of the recipe; empty where the task failed.
    components : dict of str to str
        The recipe, part by part, in words.
    facts : dict
        What a reader needs without the outcome itself.
    products : tuple of (str, int, str)
        Path from the folder of products, size and fingerprint of each file written.
    reason : str
        Why there is no outcome to use; empty where there is one.
    """

    path: Path
    key: str
    components: Mapping[str, str]
    facts: Mapping[str, Any]
    products: tuple[tuple[str, int, str], ...]
    reason: str = ""

    def load(self) -> Any:
        """The outcome.

        Raises
        ------
        ProductError
            If the file is damaged.
        """
        return load_outcome(self.path)


def load_outcome(path: Path) -> Any:
    """The outcome that an entry holds.

    Parameters
    ----------
    path : Path
        File of the entry.

    Raises
    ------
    ProductError
        If the file is damaged.
    """
    payload = _read(path)[1]
    try:
        return pickle.loads(payload)  # noqa: S301 - checked against its checksum, our own file
    except Exception as error:
        msg = f"{path}: cannot be read ({error}); remove it and start again"
        raise ProductError(msg) from error


def _read(path: Path) -> tuple[dict[str, Any], bytes]:
    """Header and content of an entry, checked."""
    damaged = f"{path}: damaged; remove it and start again"
    try:
        data = path.read_bytes()
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror}); remove it and start again"
        raise ProductError(msg) from error
    try:
        end = data.index(b"\n", len(_MAGIC))
        header = json.loads(data[len(_MAGIC) : end])
        stated = data[end + 1 : end + 65].decode("ascii")
    except ValueError as error:
        raise ProductError(damaged) from error
    payload = data[end + 66 :]
    digest = hashlib.sha256(data[: end + 1] + payload).hexdigest()
    if not data.startswith(_MAGIC) or digest != stated or not isinstance(header, dict):
        raise ProductError(damaged)
    return header, payload


def _read_head(path: Path) -> Entry | None:
    """An entry without its content; None where there is none that can be read."""
    try:
        with path.open("rb") as stream:
            if stream.read(len(_MAGIC)) != _MAGIC:
                return None
            return _parse(path, json.loads(stream.readline()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _parse(path: Path, header: Mapping[str, Any]) -> Entry:
    return Entry(
        path=path,
        key=str(header["key"]),
        components={str(k): str(v) for k, v in header["components"].items()},
        facts=dict(header["facts"]),
        products=tuple((str(p), int(n), str(c)) for p, n, c in header["products"]),
        reason=str(header["reason"]),
    )


def link_file(source: Path, target: Path) -> None:
    """Give a file a second place; a copy where the file system has no hard links.

    Parameters
    ----------
    source, target : Path
        The folder of the target is made; a file that is already there is replaced.

    Raises
    ------
    ProductError
        If the system refuses.
    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        # Beside the target first: a kill leaves either nothing or all of it.
        partial = target.with_name(f"{target.name}.{os.getpid()}.partial")
        partial.unlink(missing_ok=True)
        try:
            os.link(source, partial)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            shutil.copy2(source, partial)
        partial.replace(target)
        partial.unlink(missing_ok=True)  # renaming onto another link of the same file does nothing
    except OSError as error:
        raise explain_failure(target, error) from error


@dataclass
class Store:
    """The slots of a folder of products.

    Parameters
    ----------
    root : Path
        Folder of products.
    base : Path, optional
        Another folder of products. What stands there is taken over by hard links.
    frozen : bool
        Look only: nothing is written, linked or removed.
    """

    root: Path
    base: Path | None = None
    frozen: bool = False
    notes: list[str] = field(default_factory=list)
    _touched: set[Path] = field(default_factory=set)
    _claimed: set[str] = field(default_factory=set)

    def __repr__(self) -> str:
        return f"<Store of {self.root}, {len(self._touched)} slots used>"

    def _path(self, slot: str, root: Path | None = None) -> Path:
        return (root or self.root) / FOLDER / f"{slot}{_SUFFIX}"

    def peek(self, slot: str) -> Entry | None:
        """What a slot held last, whether it stands or not; its content is not looked at."""
        found = _read_head(self._path(slot))
        if found is None and self.base is not None:
            found = _read_head(self._path(slot, self.base))
        return found

    def slots(self, prefix: str) -> list[str]:
        """Names of all filled slots that begin with a prefix, here or in the base."""
        names: set[str] = set()
        for root in (self.root, self.base):
            if root is None:
                continue
            folder = root / FOLDER
            parent = folder / prefix.rpartition("/")[0]
            for path in parent.rglob(f"*{_SUFFIX}") if parent.is_dir() else ():
                name = path.relative_to(folder).as_posix().removesuffix(_SUFFIX)
                if name.startswith(prefix):
                    names.add(name)
        return sorted(names)

    def find(self, slot: str, key: str) -> Entry | None:
        """The outcome of a slot if it stands.

        Parameters
        ----------
        slot : str
            Place in the run, such as "2025-03-02/s01/search.00000000-00002048".
        key : str
            Recipe asked for.

        Returns
        -------
        Entry or None
            Its file is whole and its products are what they were.
        """
        self._touched.add(self._path(slot))
        found = self._check(slot, key, self.root)
        if found is None and self.base is not None:
            found = self._check(slot, key, self.base)
            if found is not None and not self.frozen:
                found = self._adopt(slot, found)
        if found is not None:
            self._claimed.update(p for p, _, _ in found.products)
        return found

    def _check(self, slot: str, key: str, root: Path) -> Entry | None:
        path = self._path(slot, root)
        if not path.exists():
            return None
        try:
            entry = _parse(path, _read(path)[0])
        except (ProductError, KeyError, TypeError, ValueError, AttributeError):
            self._note(f"{path.relative_to(root)}: damaged, so it counts as never made")
            return None
        if entry.reason or entry.key != key:
            return None
        wrong = self.damaged_product(entry, root)
        if wrong:
            self._note(f"{wrong}: missing or changed since it was written, so it is made again")
            return None
        return entry

    def _note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)

    def damaged_product(self, entry: Entry, root: Path | None = None) -> str:
        """Name of the first product of an entry that is not what it was; empty where all are."""
        for name, size, checksum in entry.products:
            path = (root or self.root) / name
            try:
                if path.stat().st_size != size or fingerprint_file(path) != checksum:
                    return name
            except OSError:
                return name
        return ""

    def _adopt(self, slot: str, entry: Entry) -> Entry:
        """Take over from the base: products first, so that an entry never claims what is not."""
        assert self.base is not None
        for name, _, _ in entry.products:
            link_file(self.base / name, self.root / name)
        path = self._path(slot)
        link_file(entry.path, path)
        return Entry(path, entry.key, entry.components, entry.facts, entry.products)

    def clear_products(self, slots: Iterable[str]) -> None:
        """Remove the products of slots that are about to be filled again.

        A run that ends early must not leave what it was to replace.

        Parameters
        ----------
        slots : iterable of str
            Products that a standing slot claims as well are left.
        """
        for slot in slots:
            entry = _read_head(self._path(slot))
            if entry is not None:
                self._remove_products(entry)

    def _remove_products(self, entry: Entry) -> None:
        if self.frozen:
            return
        for name, _, _ in entry.products:
            if name not in self._claimed:
                (self.root / name).unlink(missing_ok=True)

    def keep(
        self,
        slot: str,
        *,
        key: str,
        components: Mapping[str, str],
        value: Any,
        facts: Mapping[str, Any],
        products: Iterable[Path] = (),
        written: Mapping[str, tuple[int, str]] | None = None,
        reason: str = "",
    ) -> Entry:
        """Fill a slot.

        Parameters
        ----------
        slot : str
            Place in the run.
        key : str
            Recipe.
        components : mapping of str to str
            The recipe in words.
        value : object
            Outcome.
        facts : mapping
            JSON, readable without the outcome.
        products : iterable of Path
            Files written with it.
        written : mapping of str to (int, str), optional
            Size and checksum of those of which they were taken as they were written, by path. The
            others are read for it.
        reason : str
            Why the outcome must not be used again; then no value is kept.

        Returns
        -------
        Entry

        Raises
        ------
        ProductError
            If the system refuses.
        """
        path = self._path(slot)
        self._touched.add(path)
        stated: list[tuple[str, int, str]] = []
        for file in products:
            name = file.relative_to(self.root).as_posix()
            try:
                size = file.stat().st_size
                known = (written or {}).get(str(file), (-1, ""))
                checksum = known[1] if known[0] == size else fingerprint_file(file)
                stated.append((name, size, checksum))
            except OSError as error:
                msg = f"{file}: cannot be read back ({error.strerror}); check the disk"
                raise ProductError(msg) from error
        self._claimed.update(name for name, _, _ in stated)
        header = {
            "key": key, "components": dict(components), "facts": dict(facts), "products": stated,
            "reason": reason,
        }  # fmt: skip
        payload = b"" if reason else pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
        head = _MAGIC + json.dumps(header).encode("ascii") + b"\n"
        digest = hashlib.sha256(head + payload).hexdigest().encode("ascii")
        write_bytes(path, b"".join((head, digest, b"\n", payload)))
        return _parse(path, header)

    def prune(self, prefixes: Iterable[str]) -> int:
        """Remove slots that this run did not use, with their products.

        Parameters
        ----------
        prefixes : iterable of str
            Only slots whose name begins with one of them.

        Returns
        -------
        int
            Slots removed.
        """
        count = 0
        for prefix in prefixes:
            for slot in self.slots(prefix):
                path = self._path(slot)
                if path in self._touched or self.frozen or not path.exists():
                    continue
                entry = _read_head(path)
                if entry is not None:
                    self._remove_products(entry)
                path.unlink(missing_ok=True)
                count += 1
        return count
