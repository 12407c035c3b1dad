"""A lock that keeps two runs out of one folder of products."""

import errno
import fcntl
import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import ProductError
from pipeline.io.atomic import explain_failure

__all__ = ["Holder", "hold_lock", "look_at_lock"]

_NAME = "run.lock"
_UNSUPPORTED = {errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL}


@dataclass(frozen=True)
class Holder:
    """Who wrote a lock file.

    Parameters
    ----------
    pid : int
        Process number.
    host : str
        Machine.
    alive : bool or None
        Whether it still holds it; None where only that machine can know.
    """

    pid: int
    host: str
    alive: bool | None

    def __str__(self) -> str:
        return f"process {self.pid} on {self.host}"


def look_at_lock(folder: str | Path) -> Holder | None:
    """Who holds a folder, without touching its lock.

    Parameters
    ----------
    folder : str or Path
        Folder of products.

    Returns
    -------
    Holder or None
        None where nobody does.
    """
    path = Path(folder) / _NAME
    try:
        text = path.read_text(encoding="utf-8")
        given = json.loads(text)
        pid, host = int(given["pid"]), str(given["host"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    # To try the system's lock would be to hold it for a moment, and keep out who comes then.
    return Holder(pid, host, _is_alive(pid) if host == socket.gethostname() else None)


@contextmanager
def hold_lock(folder: str | Path, *, notes: list[str] | None = None) -> Iterator[Path]:
    """Hold a folder's lock while the body runs.

    The system's own lock on the file ends with the process that holds it, however it ends, so a
    run that crashed on this machine blocks nobody. Other machines may share the folder without
    sharing that lock; a file that names another machine is therefore respected.

    Parameters
    ----------
    folder : str or Path
        Folder of products; it exists.
    notes : list of str, optional
        Takes what its user should know: that a run before this one left its lock.

    Yields
    ------
    Path
        The lock file: process number and machine of the holder, as JSON.

    Raises
    ------
    ProductError
        If another run holds it, or it cannot be written.
    """
    path = Path(folder) / _NAME
    descriptor = _take(path, [] if notes is None else notes)
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)
        os.close(descriptor)


def _take(path: Path, notes: list[str]) -> int:
    """Descriptor of the lock file, held by this run."""
    me = {"pid": os.getpid(), "host": socket.gethostname()}
    while True:
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_RDWR, 0o644)
        except OSError as error:
            raise explain_failure(path, error) from error
        try:
            certain = _lock(descriptor, path)
            if not _is_same_file(descriptor, path):
                # Its holder removed it after we opened it: begin anew.
                os.close(descriptor)
                continue
            text = os.pread(descriptor, 4096, 0).decode("utf-8", "replace").strip()
            if text and not _is_stale(text, certain=certain):
                raise _refuse(path, text)
            if text:
                notes.append(
                    f"{path.name}: left by {_who(text)}, which has ended without removing it; "
                    "this run goes on where that one was"
                )
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, (json.dumps(me) + "\n").encode(), 0)
            os.fsync(descriptor)
        except OSError as error:
            os.close(descriptor)
            if isinstance(error, ProductError):
                raise
            raise explain_failure(path, error) from error
        return descriptor


def _lock(descriptor: int, path: Path) -> bool:
    """Take the system's lock; False where this file system has none."""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        text = os.pread(descriptor, 4096, 0).decode("utf-8", "replace").strip()
        raise _refuse(path, text) from error
    except OSError as error:
        if error.errno in _UNSUPPORTED:
            return False
        raise
    return True


def _is_same_file(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


def _is_stale(text: str, *, certain: bool) -> bool:
    """Whether the run that wrote a lock file has ended on this machine without removing it."""
    try:
        holder = json.loads(text)
        pid, host = int(holder["pid"]), str(holder["host"])
    except (ValueError, KeyError, TypeError):
        # Torn by a crash within its first moment, if the system's lock can be trusted.
        return certain
    return host == socket.gethostname() and (certain or not _is_alive(pid))


def _is_alive(pid: int) -> bool:
    """Whether a process of this machine runs."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _who(text: str) -> str:
    try:
        holder = json.loads(text)
        return f"process {holder['pid']} on {holder['host']}"
    except (ValueError, KeyError, TypeError):
        return "a run"


def _refuse(path: Path, text: str) -> ProductError:
    who = _who(text)
    who = "its holder is unknown" if who == "a run" else who
    return ProductError(
        f"{path}: another run works in this folder ({who}); wait for it, choose another folder, "
        "or remove that file if the run is gone"
    )
