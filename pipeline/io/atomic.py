"""Files that are whole or not there: write beside, verify, rename."""

import errno
import os
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import DiskFullError, ProductError

__all__ = ["explain_failure", "no_room", "remove_partial", "replace_file", "write_bytes",
           "write_text"]  # fmt: skip

_SUFFIX = ".partial"
_SHORT_WRITE = re.compile(r"Not enough space on disk|\d+ requested and \d+ written")
_OURS = re.compile(r"\.([0-9a-f]{12}|\d+)\.partial$")
_FULL = {errno.ENOSPC, errno.EDQUOT}

_REMEDIES = {
    errno.ENOSPC: "free some space and start again; what is finished is kept",
    errno.EDQUOT: "the quota is used up: free some space and start again",
    errno.EACCES: "give write permission for the folder, or choose another output folder",
    errno.EPERM: "give write permission for the folder, or choose another output folder",
    errno.EROFS: "the file system is read-only: choose another output folder",
    errno.ENOTDIR: "a file stands where a folder should be: remove it or choose another folder",
    errno.EISDIR: "a folder stands where the file should be: remove it",
    errno.ENAMETOOLONG: "the path is too long: choose another output folder",
    errno.EIO: "the disk reports an error: check it",
}


def _number(error: OSError) -> int:
    """The system's number of an error; 0 where there is none.

    numpy and astropy report a full disk in words alone.
    """
    if error.errno is None and _SHORT_WRITE.search(str(error)):
        return errno.ENOSPC
    return error.errno or 0


def explain_failure(path: Path, error: OSError) -> ProductError:
    """Error that names the path, what went wrong, and the remedy.

    Parameters
    ----------
    path : Path
        Product that was to be written.
    error : OSError
        What the system said.

    Returns
    -------
    ProductError
    """
    number = _number(error)
    remedy = _REMEDIES.get(number, "check the disk and the output folder")
    reason = os.strerror(number) if number else str(error) or type(error).__name__
    kind = DiskFullError if number in _FULL else ProductError
    failure = kind(f"{path}: cannot be written ({reason}); {remedy}")
    failure.errno = number or None
    return failure


def no_room(error: BaseException) -> bool:
    """Whether an error, or what caused it, is a full disk or quota."""
    seen: BaseException | None = error
    for _ in range(20):  # a cause of itself would go on for ever
        if seen is None:
            break
        if isinstance(seen, DiskFullError):
            return True
        if isinstance(seen, OSError) and _number(seen) in _FULL:
            return True
        seen = seen.__cause__ or seen.__context__
    return False


def remove_partial(folder: str | Path) -> int:
    """Remove what killed processes left half-written.

    Parameters
    ----------
    folder : str or Path
        Folder of products, held by this run, with none of its tasks at work.

    Returns
    -------
    int
        Files removed.
    """
    count = 0
    for path in Path(folder).rglob(f"*{_SUFFIX}"):
        if not _OURS.search(path.name):
            continue  # of another program
        with suppress(OSError):
            path.unlink()
            count += 1
    return count


@contextmanager
def replace_file(path: str | Path, *, cached: bool = True) -> Iterator[Path]:
    """Give a temporary path; on leaving, put the file in its place.

    Parameters
    ----------
    path : str or Path
        Product; its folder is made when missing.
    cached : bool
        False for large ones that come by the hundred: once on the disk, the system is told to
        keep no copy in memory, where it would drive out raw pixels that are read again.

    Yields
    ------
    Path
        Unique name ending in ``.partial`` in the same folder, to write to. Verify what was
        written before leaving: an exception removes it and leaves an older product as it was.

    Raises
    ------
    ProductError
        If the system refuses, naming the path and the remedy.
    """
    path = Path(path)
    partial = path.with_name(f"{path.name}.{uuid.uuid4().hex[:12]}{_SUFFIX}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield partial
        _flush(partial, cached=cached)
        partial.replace(path)
        _flush(path.parent)
    except ProductError:
        raise
    except OSError as error:
        raise explain_failure(path, error) from error
    finally:
        with suppress(OSError):
            partial.unlink()


def write_bytes(path: str | Path, data: bytes) -> None:
    """Write a small file at once.

    Parameters
    ----------
    path : str or Path
        Product.
    data : bytes
        Its content.

    Raises
    ------
    ProductError
        If the system refuses.
    """
    with replace_file(path) as partial:
        partial.write_bytes(data)


def write_text(path: str | Path, text: str) -> None:
    """Write a small text file at once, as UTF-8; errors as `write_bytes`."""
    write_bytes(path, text.encode("utf-8"))


def _flush(path: Path, *, cached: bool = True) -> None:
    """Bring a file or folder to the disk; cached, it stays in memory as well."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
        if not cached and hasattr(os, "posix_fadvise"):
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    except OSError as error:
        # Some network file systems cannot flush folders; a full disk must not go unnoticed.
        if error.errno not in {errno.EINVAL, errno.ENOTSUP}:
            raise
    finally:
        os.close(handle)
