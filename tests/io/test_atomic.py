"""Files that are whole or not there."""

import errno
import os
from pathlib import Path

import pytest

from pipeline.errors import DiskFullError, DriftloomError, ProductError
from pipeline.io.atomic import (
    explain_failure,
    remove_partial,
    replace_file,
    write_bytes,
    write_text,
)


def test_file_appears_at_the_end_only(tmp_path):
    path = tmp_path / "deep" / "product.txt"
    with replace_file(path) as partial:
        assert partial.parent == path.parent
        assert partial.name.endswith(".partial")
        partial.write_text("new")
        assert not path.exists()
    assert path.read_text() == "new"
    assert [p.name for p in path.parent.iterdir()] == ["product.txt"]


def test_exception_leaves_the_older_product(tmp_path):
    path = tmp_path / "product.txt"
    write_text(path, "old")

    def write_half():
        with replace_file(path) as partial:
            partial.write_text("ha")
            raise ZeroDivisionError("stop")

    with pytest.raises(ZeroDivisionError, match="stop"):
        write_half()
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["product.txt"]


def test_text_is_utf8(tmp_path):
    write_text(tmp_path / "a", "μ")
    assert (tmp_path / "a").read_bytes() == b"\xce\xbc"


@pytest.mark.parametrize(
    ("number", "remedy"),
    [
        (errno.ENOSPC, "free some space and start again; what is finished is kept"),
        (errno.EROFS, "read-only: choose another output folder"),
        (errno.EACCES, "give write permission"),
        (errno.EPIPE, "check the disk and the output folder"),
    ],
)
def test_failure_names_path_reason_and_remedy(number, remedy):
    error = explain_failure(Path("out/x.fits"), OSError(number, os.strerror(number)))
    assert isinstance(error, DriftloomError)
    assert isinstance(error, OSError)
    assert str(error) == f"out/x.fits: cannot be written ({os.strerror(number)}); " + str(
        error
    ).split("; ", 1)[1]  # fmt: skip
    assert remedy in str(error)
    assert error.errno == number


def test_full_disk_while_writing(tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    write_bytes(tmp_path / "kept", b"old")
    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(ProductError, match=r"kept: cannot be written .*free some space"):
        write_bytes(tmp_path / "kept", b"new")
    assert (tmp_path / "kept").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["kept"]


@pytest.mark.parametrize(
    "words",
    ["524288 requested and 316736 written",  # numpy's ndarray.tofile
     "Not enough space on disk: requested 7340032, available 0. 9 requested and 1 written"],
    ids=["numpy", "astropy"],
)  # fmt: skip
def test_full_disk_told_in_words_alone(tmp_path, words):
    """As libraries do that do not pass on the system's number."""
    with (
        pytest.raises(DiskFullError, match=r"new: cannot be written \(No space left.*free some"),
        replace_file(tmp_path / "new"),
    ):
        raise OSError(words)
    assert list(tmp_path.iterdir()) == []


def test_what_the_killed_left_is_removed_and_nothing_else(tmp_path):
    mine = tmp_path / "tiles" / f"a.fits.{'0f' * 6}.partial"
    mine.parent.mkdir()
    for path in (mine, tmp_path / "b.123.partial", tmp_path / "c.partial", tmp_path / "d.fits"):
        path.touch()
    assert remove_partial(tmp_path) == 2
    assert sorted(p.name for p in tmp_path.rglob("*.*")) == ["c.partial", "d.fits"]


def test_full_disk_while_flushing(tmp_path, monkeypatch):
    """Some file systems tell only at the flush."""

    def refuse(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(ProductError, match="free some space"):
        write_bytes(tmp_path / "new", b"new")
    assert list(tmp_path.iterdir()) == []


def test_folder_that_cannot_be_flushed_does_no_harm(tmp_path, monkeypatch):
    def refuse(_):
        raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))

    monkeypatch.setattr(os, "fsync", refuse)
    write_bytes(tmp_path / "new", b"new")
    assert (tmp_path / "new").read_bytes() == b"new"


def test_file_where_a_folder_should_be(tmp_path):
    (tmp_path / "nights").write_text("")
    with pytest.raises(ProductError, match=r"b.txt: cannot be written \(.*\); .*(file|folder)"):
        write_text(tmp_path / "nights" / "a" / "b.txt", "")
