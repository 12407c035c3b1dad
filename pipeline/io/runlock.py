"""A lock that keeps two runs out of one folder of products."""

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import ProductError
from pipeline.io.atomic import explain_failure

__all__ = ["hold_lock"]

_NAME = "run.lock"


def _is_alive(pid: int) -> bool:
    """Whether a process of this machine runs."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _is_stale(path: Path) -> bool:
    """Whether the run that made a lock has ended on this machine without removing it."""
    try:
        holder = json.loads(path.read_text(encoding="utf-8"))
        pid, host = int(holder["pid"]), str(holder["host"])
    except (OSError, ValueError, KeyError, TypeError):
        return False
    return host == socket.gethostname() and not _is_alive(pid)


@contextmanager
def hold_lock(folder: str | Path) -> Iterator[Path]:
    """Hold a folder's lock while the body runs.

    Parameters
    ----------
    folder : str or Path
        Folder of products; it exists.

    Yields
    ------
    Path
        The lock file.

    Raises
    ------
    ProductError
        If another run holds it, or it cannot be written.
    """
    path = Path(folder) / _NAME
    if path.exists() and _is_stale(path):
        path.unlink(missing_ok=True)
    try:
        descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
    except FileExistsError as error:
        try:
            holder = path.read_text(encoding="utf-8").strip()
        except OSError:
            holder = "unknown"
        msg = (
            f"{path}: another run works in this folder ({holder}); wait for it, choose another "
            "folder, or remove the lock file if that run is gone"
        )
        raise ProductError(msg) from error
    except OSError as error:
        raise explain_failure(path, error) from error
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
            stream.write(json.dumps({"pid": os.getpid(), "host": socket.gethostname()}) + "\n")
        yield path
    finally:
        path.unlink(missing_ok=True)
