"""CHECKSUM and DATASUM against astropy's verification and the examples of the standard."""

import io

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.io import checksums
from pipeline.io.checksums import add_datasums, encode_checksum, sum_words


def write(path, images, *, text=""):
    """Images with room for both keywords."""
    hdus = fits.HDUList([fits.PrimaryHDU(), *(fits.ImageHDU(i) for i in images)])
    for hdu in hdus:
        hdu.header["NOTE"] = text
        hdu.header["DATASUM"] = "0"
        hdu.header["CHECKSUM"] = "0" * 16
    hdus.writeto(path)


@settings(max_examples=25, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 40), st.integers(1, 40)),
    seed=st.integers(0, 2**32 - 1),
    kind=st.sampled_from(["i2", "i4", "f4", "f8", "u1"]),
    text=st.text("abcXYZ 019./-", max_size=60),
)
def test_astropy_verifies_them(tmp_path_factory, shape, seed, kind, text):
    path = tmp_path_factory.mktemp("sums") / "a.fits"
    rng = np.random.default_rng(seed)
    write(path, [rng.integers(0, 255, shape).astype(kind) for _ in range(2)], text=text)
    with path.open("r+b") as stream:
        add_datasums(stream)
    # Wrong sums make astropy warn, and warnings are errors.
    with fits.open(path, checksum=True) as hdus:
        for hdu in hdus:
            assert hdu.verify_datasum() == 1
            assert hdu.verify_checksum() == 1


def test_sums_equal_those_of_astropy(tmp_path):
    image = np.random.default_rng(3).normal(size=(50, 7)).astype("f4")
    write(tmp_path / "a.fits", [image])
    with (tmp_path / "a.fits").open("r+b") as stream:
        add_datasums(stream)
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(image)]).writeto(
        tmp_path / "b.fits", checksum=True
    )
    ours, theirs = (fits.getheader(tmp_path / n, 1)["DATASUM"] for n in ("a.fits", "b.fits"))
    assert ours == theirs


def test_a_changed_pixel_is_noticed(tmp_path):
    path = tmp_path / "a.fits"
    write(path, [np.zeros((4, 4), "i2")])
    with path.open("r+b") as stream:
        add_datasums(stream)
        stream.seek(-2880, io.SEEK_END)
        stream.write(b"\1")
    with fits.open(path, memmap=False) as hdus:
        assert [hdu.verify_datasum() for hdu in hdus] == [1, 0]
        assert [hdu.verify_checksum() for hdu in hdus] == [1, 0]


def test_chunks_make_no_difference(tmp_path, monkeypatch):
    image = np.random.default_rng(4).integers(-9, 9, (300, 200)).astype("i4")
    for name in ("whole", "chunks"):
        write(tmp_path / name, [image])
        if name == "chunks":
            monkeypatch.setattr(checksums, "_CHUNK", 2880)
        with (tmp_path / name).open("r+b") as stream:
            add_datasums(stream)
    assert (tmp_path / "whole").read_bytes() == (tmp_path / "chunks").read_bytes()


def test_zero_is_sixteen_characters_of_the_standard():
    """FITS 4.0, appendix J: the encoding of all ones (complement 0) is sixteen zeros."""
    assert encode_checksum(0xFFFFFFFF) == "0" * 16


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 0xFFFFFFFF))
def test_code_is_alphanumeric_and_sums_to_the_complement(value):
    text = encode_checksum(value)
    assert len(text) == 16
    assert text.isascii()
    assert text.isalnum()
    # In a header the value starts in the second byte of a word: rotate back to count words.
    words = (text[1:] + text[0]).encode()
    assert sum_words(words, start=0) == sum_words(
        (0xFFFFFFFF - value).to_bytes(4, "big"), start=sum_words(b"0" * 16)
    )


def test_sum_carries_around():
    """Ones' complement: what overflows is added at the low end."""
    assert sum_words(b"\xff\xff\xff\xff\x00\x00\x00\x02") == 2
    assert sum_words(b"\x00\x00\x00\x01", start=0xFFFFFFFF) == 1
    assert sum_words(b"") == 0


def test_file_that_ends_early(tmp_path):
    path = tmp_path / "a.fits"
    write(path, [np.zeros((100, 100), "i4")])
    path.write_bytes(path.read_bytes()[:-2880])
    with path.open("r+b") as stream, pytest.raises(OSError, match="ends within an image"):
        add_datasums(stream)
