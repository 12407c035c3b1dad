"""New products take the place of old ones, whenever the exchange is killed on the way."""

import os
from pathlib import Path

import pytest

from pipeline.exchange import exchange, finish_exchange

OLD = {
    "catalogue": ("strips/a/catalogue", "old"), "stack": ("stacks/1_r.fits", "old"),
    "coverage": ("coverage.fits", "old"), "tile": ("tiles/1/a.fits", "old"),
    "mine": ("notes.txt", "mine"),
}  # fmt: skip
NEW = {
    "catalogue": ("strips/a/catalogue", "new"), "comparison": ("comparison/index.html", "new"),
    "coverage": ("coverage.fits", "new"), "other": ("strips/b/catalogue", "new"),
}  # fmt: skip


def write(folder, files):
    for name, text in files.values():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


def contents(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_text()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture
def out(tmp_path):
    write(tmp_path, OLD)
    write(tmp_path / ".next", NEW)
    write(tmp_path / "previous", {"older": ("strips/a/catalogue", "older")})
    return tmp_path


def expected(*, keep):
    files = dict(NEW.values()) | {"notes.txt": "mine"}
    if keep:
        files |= {f"previous/{name}": text for name, text in OLD.values() if name != "notes.txt"}
    return files


@pytest.mark.parametrize("keep", [True, False])
def test_the_new_stands_and_the_old_is_kept_or_not(out, keep):
    """No old product stays where the new ones have none: tiles and stacks are gone from view."""
    exchange(out, keep_previous=keep)
    assert contents(out) == expected(keep=keep)
    assert not (out / ".next").exists()
    assert not finish_exchange(out)


@pytest.mark.parametrize("keep", [True, False])
@pytest.mark.parametrize("step", range(12))
def test_killed_at_any_step_it_ends_the_same(out, monkeypatch, keep, step):
    real, count = Path.rename, 0

    def rename(self, target):
        nonlocal count
        if count == step and self.suffix != ".partial":
            raise KeyboardInterrupt
        count += 1
        return real(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    killed = False
    try:
        exchange(out, keep_previous=keep)
    except KeyboardInterrupt:
        killed = True
    monkeypatch.undo()
    # Four places change hands, two of them twice, and there is nothing else to break off.
    assert killed == (step < 7)
    assert finish_exchange(out) == killed
    assert contents(out) == expected(keep=keep)


def test_products_that_are_not_whole_are_left_alone(out):
    before = contents(out)
    assert not finish_exchange(out)
    assert contents(out) == before


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_is_named(out):
    from pipeline.errors import ProductError

    out.chmod(0o500)
    try:
        with pytest.raises(ProductError, match="write permission"):
            exchange(out, keep_previous=True)
    finally:
        out.chmod(0o700)
