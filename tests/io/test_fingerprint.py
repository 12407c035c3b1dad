"""Fingerprints of products."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.io.fingerprint import Fingerprint, fingerprint_file

# Test values of the XXH3 reference implementation (xxHash, doc/xxhash_spec.md and its sanity test
# tables: XXH128 of nothing, seed 0), from memory; the library prints the same.
NOTHING = "xxh3:99aa06d3014798d86001c324468d497f"


def test_a_fingerprint_of_nothing_is_the_published_one(tmp_path):
    (tmp_path / "x").touch()
    assert Fingerprint().name() == fingerprint_file(tmp_path / "x") == NOTHING


@given(parts=st.lists(st.binary(max_size=50), max_size=6))
def test_a_file_has_the_fingerprint_of_the_parts_it_was_written_in(parts, tmp_path_factory):
    path = tmp_path_factory.mktemp("f") / "x"
    fingerprint = Fingerprint()
    for part in parts:
        fingerprint.update(part)
    path.write_bytes(b"".join(parts))
    assert fingerprint_file(path) == fingerprint.name()


@pytest.mark.parametrize("place", [0, 5000, 2_999_999])
def test_one_changed_bit_changes_it(tmp_path, place):
    data = bytearray(3_000_000)
    (tmp_path / "x").write_bytes(data)
    data[place] ^= 1
    (tmp_path / "y").write_bytes(data)
    assert fingerprint_file(tmp_path / "x") != fingerprint_file(tmp_path / "y")


def test_what_is_not_there_has_none(tmp_path):
    with pytest.raises(FileNotFoundError):
        fingerprint_file(tmp_path / "x")
