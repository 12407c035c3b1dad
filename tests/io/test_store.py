"""Kept outcomes: they stand only while recipe, file and products are what they were."""

import os
import pickle

import numpy as np
import pytest

from pipeline.errors import ProductError
from pipeline.io import store as module
from pipeline.io.store import Store, link_file

SLOT = "2025-03-02/s01/search.000000000-000002048"


def fill(folder, *, key="k1", slot=SLOT, value=(1, 2), name="tiles/t/s01.fits", **rest):
    store = Store(folder)
    products = []
    if name:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"pixels of " + key.encode())
        products = [path]
    store.keep(
        slot, key=key, components={"detection.threshold": "5.0"}, value=value,
        facts={"tiles": ["t"]}, products=products, **rest,
    )  # fmt: skip
    return store


def entry_of(folder, slot=SLOT):
    return folder / "work" / f"{slot}.entry"


def test_an_outcome_comes_back_as_it_was(tmp_path):
    value = {"image": np.arange(12.0).reshape(3, 4), "none": None}
    fill(tmp_path, value=value)
    entry = Store(tmp_path).find(SLOT, "k1")
    np.testing.assert_array_equal(entry.load()["image"], value["image"])
    assert entry.facts == {"tiles": ["t"]}
    assert entry.components == {"detection.threshold": "5.0"}
    assert [p for p, _, _ in entry.products] == ["tiles/t/s01.fits"]


def test_another_recipe_does_not_find_it_but_can_ask_why(tmp_path):
    fill(tmp_path)
    store = Store(tmp_path)
    assert store.find(SLOT, "k2") is None
    assert store.peek(SLOT).components["detection.threshold"] == "5.0"
    assert store.notes == []


def test_a_folder_that_moved_stands(tmp_path):
    fill(tmp_path / "here")
    (tmp_path / "here").rename(tmp_path / "there")
    assert Store(tmp_path / "there").find(SLOT, "k1").load() == (1, 2)


@pytest.mark.parametrize("place", [0, 3, 25, 60, -70, -30, -1], ids=str)
def test_a_byte_changed_anywhere_counts_as_never_made(tmp_path, place):
    fill(tmp_path, value=np.arange(20))
    path = entry_of(tmp_path)
    data = bytearray(path.read_bytes())
    data[place] ^= 0x01
    path.write_bytes(bytes(data))
    store = Store(tmp_path)
    assert store.find(SLOT, "k1") is None
    assert [n for n in store.notes if "damaged, so it counts as never made" in n]


@pytest.mark.parametrize("size", [0, 10, 100, -1])
def test_a_torn_file_counts_as_never_made(tmp_path, size):
    fill(tmp_path)
    path = entry_of(tmp_path)
    path.write_bytes(path.read_bytes()[:size])
    assert Store(tmp_path).find(SLOT, "k1") is None


def test_a_product_that_is_not_what_it_was_is_found(tmp_path):
    fill(tmp_path)
    product = tmp_path / "tiles/t/s01.fits"
    whole = product.read_bytes()
    for spoilt in (whole[:-1] + b"x", whole + b"x", None):
        product.unlink()
        if spoilt is not None:
            product.write_bytes(spoilt)
        store = Store(tmp_path)
        assert store.find(SLOT, "k1") is None
        assert store.notes == [
            "tiles/t/s01.fits: missing or changed since it was written, so it is made again"
        ]
        product.write_bytes(whole)
        assert Store(tmp_path).find(SLOT, "k1") is not None


def test_a_failure_is_remembered_and_never_used(tmp_path):
    fill(tmp_path, name="", reason="failed last time: no stars")
    store = Store(tmp_path)
    assert store.find(SLOT, "k1") is None
    assert store.peek(SLOT).reason == "failed last time: no stars"


def test_a_slot_filled_again_leaves_nothing_of_what_it_held(tmp_path):
    fill(tmp_path, name="tiles/old/s01.fits")
    store = Store(tmp_path)
    assert store.find(SLOT, "k2") is None
    store.clear_products([SLOT])
    assert not (tmp_path / "tiles/old/s01.fits").exists()
    fill(tmp_path, key="k2", name="tiles/new/s01.fits")
    assert len(list((tmp_path / "work").rglob("*"))) == 3  # night, strip, entry
    assert Store(tmp_path).find(SLOT, "k2") is not None


def test_a_product_that_another_slot_claims_is_not_removed(tmp_path):
    fill(tmp_path, slot="n/s/tiles.1")
    fill(tmp_path, slot="n/s/tiles.2")
    store = Store(tmp_path)
    assert store.find("n/s/tiles.1", "k1") is not None
    store.clear_products(["n/s/tiles.2"])
    assert (tmp_path / "tiles/t/s01.fits").exists()


def test_what_a_run_did_not_use_is_pruned_with_its_products(tmp_path):
    fill(tmp_path, slot="n/s/tiles.1", name="tiles/a/s.fits")
    fill(tmp_path, slot="n/s/tiles.2", name="tiles/b/s.fits")
    fill(tmp_path, slot="n/s2/tiles.1", name="tiles/b/s2.fits")
    store = Store(tmp_path)
    store.find("n/s/tiles.1", "k1")
    assert store.slots("n/s/") == ["n/s/tiles.1", "n/s/tiles.2"]
    assert store.prune(["n/s/"]) == 1
    assert sorted(p.as_posix() for p in (tmp_path / "tiles").rglob("*.fits")) == [
        (tmp_path / "tiles/a/s.fits").as_posix(), (tmp_path / "tiles/b/s2.fits").as_posix()
    ]  # fmt: skip
    assert store.prune([""]) == 1
    assert Store(tmp_path).slots("") == ["n/s/tiles.1"]


def test_what_stands_in_the_base_is_taken_over_by_links(tmp_path):
    old, new = tmp_path, tmp_path / ".next"
    fill(old)
    store = Store(new, base=old)
    assert store.find(SLOT, "other") is None
    assert not new.exists()
    entry = store.find(SLOT, "k1")
    assert entry.path == entry_of(new)
    assert (new / "tiles/t/s01.fits").samefile(old / "tiles/t/s01.fits")
    assert Store(new).find(SLOT, "k1").load() == (1, 2)
    # Filled again, the new does not reach the old through the link.
    store.keep(SLOT, key="k3", components={}, value=3, facts={})
    assert Store(old).find(SLOT, "k1").load() == (1, 2)


def test_a_frozen_store_changes_nothing(tmp_path):
    old, new = tmp_path, tmp_path / ".next"
    fill(old)
    store = Store(new, base=old, frozen=True)
    assert store.find(SLOT, "k1").path == entry_of(old)
    store = Store(old, frozen=True)
    store.clear_products([SLOT])
    assert store.prune([""]) == 0
    assert not new.exists()
    assert Store(old).find(SLOT, "k1") is not None


@pytest.mark.parametrize("code", sorted(module._NO_LINKS))
def test_without_hard_links_files_are_copied(tmp_path, monkeypatch, code):
    def refuse(*_):
        raise OSError(code, os.strerror(code))

    (tmp_path / "a").write_text("text")
    monkeypatch.setattr(os, "link", refuse)
    link_file(tmp_path / "a", tmp_path / "sub" / "b")
    assert (tmp_path / "sub" / "b").read_text() == "text"
    assert not (tmp_path / "sub" / "b").samefile(tmp_path / "a")
    assert [p.name for p in (tmp_path / "sub").iterdir()] == ["b"]


def test_a_link_onto_the_same_file_leaves_nothing_behind(tmp_path):
    (tmp_path / "a").write_text("text")
    for _ in range(2):
        link_file(tmp_path / "a", tmp_path / "b")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


def test_a_source_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ProductError, match="cannot be written"):
        link_file(tmp_path / "absent", tmp_path / "b")


class Unreadable:
    def __reduce__(self):
        return (eval, ("1/0",))


def test_an_outcome_that_cannot_be_made_again_names_its_file(tmp_path):
    assert pickle.dumps(Unreadable())
    fill(tmp_path, value=Unreadable())
    entry = Store(tmp_path).find(SLOT, "k1")
    with pytest.raises(ProductError, match=r"search.*entry: cannot be read .*start again"):
        entry.load()
