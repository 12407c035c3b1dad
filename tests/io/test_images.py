"""FITS images: round trips, foreign readers, and no half-written file."""

import errno
import itertools
import os
import subprocess
import sys
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st

import pipeline.io.images as images_module
from pipeline.errors import ProductError
from pipeline.flags import PixelMask
from pipeline.io.cards import make_bit_cards, make_header
from pipeline.io.images import ImageSink, read_image, stream_image, write_image
from pipeline.io.provenance import Provenance

PROVENANCE = Provenance(
    code="driftloom 0", python="3", libraries=(("numpy", "2"),), config="c" * 64,
    inputs=(("a.fits", "sha256:" + "0" * 64),), calibration=("dark.fits",),
)  # fmt: skip
SKY = {
    "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 150.0, "CRVAL2": -46.2, "CRPIX1": 10.5,
    "CRPIX2": 8.0, "CD1_1": -1.5e-4, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 1.5e-4,
    "RADESYS": "ICRS",
}  # fmt: skip


def common(**changed):
    return {
        "header": {"MJD-AVG": (60000.5, "[d]")}, "image_header": SKY, "units": {"FLUX": "electron"},
        "provenance": PROVENANCE, **changed,
    }  # fmt: skip


def make_images(seed=1, shape=(16, 20)):
    rng = np.random.default_rng(seed)
    flux = rng.normal(size=shape).astype("f4")
    flux[3, 4] = np.nan
    return {
        "FLUX": flux,
        "VARIANCE": rng.random(shape),
        "MASK": rng.integers(0, 1024, shape).astype("u2"),
        "EPOCHS": rng.integers(-5, 5, shape).astype("i2"),
    }


@pytest.mark.parametrize("compress", [False, True])
def test_round_trip(tmp_path, compress):
    images = make_images()
    copies = {name: image.copy() for name, image in images.items()}
    path = write_image(tmp_path / "n" / "a.fits", images, compress_masks=compress, **common())
    found, header, headers = read_image(path)
    assert list(found) == list(images)
    for name, image in images.items():
        np.testing.assert_array_equal(found[name], image)
        np.testing.assert_array_equal(image, copies[name])
        assert found[name].dtype == image.dtype
        assert found[name].dtype.isnative
    assert header["MJD-AVG"] == 60000.5
    assert header["CREATOR"] == "driftloom 0"
    assert header["INPUT1"] == "a.fits sha256:" + "0" * 64
    assert headers["FLUX"]["BUNIT"] == "electron"
    assert "BUNIT" not in headers["VARIANCE"]
    assert headers["MASK"]["BIT6"].startswith("COSMIC_RAY: ")
    assert "BIT6" not in headers["FLUX"]
    assert [p.name for p in path.parent.iterdir()] == ["a.fits"]


@pytest.mark.parametrize("compress", [False, True])
def test_file_verifies(tmp_path, compress):
    """Structure and sums, by astropy; warnings are errors."""
    path = write_image(tmp_path / "a.fits", make_images(), compress_masks=compress, **common())
    with fits.open(path, checksum=True, disable_image_compression=True) as hdus:
        hdus.verify("exception")
        for hdu in hdus:
            assert hdu.verify_datasum() == 1
            assert hdu.verify_checksum() == 1


@settings(max_examples=40, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 70), st.integers(1, 40)),
    kind=st.sampled_from(["u1", "i1", "u2", "i2", "u4", "i4", "u8", "i8", "f4", "f8"]),
    order=st.sampled_from("<>"),
    compress=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_pixels_come_back_with_right_sums(tmp_path_factory, shape, kind, order, compress, seed):
    """Every bit pattern of every type of FITS; wrong sums make astropy warn."""
    path = tmp_path_factory.mktemp("any") / "a.fits"
    rng = np.random.default_rng(seed)
    image = rng.bytes(shape[0] * shape[1] * np.dtype(kind).itemsize)
    image = np.frombuffer(image, f"{order}{kind}").reshape(shape)
    mask = rng.integers(0, 2**16, shape).astype(f"{order}u2")
    write_image(path, {"FLUX": image[:, ::-1], "MASK": mask}, compress_masks=compress, **common())
    with fits.open(path, checksum=True, disable_image_compression=True) as hdus:
        hdus.verify("exception")
        for hdu in hdus:
            assert hdu.verify_datasum() == 1
            assert hdu.verify_checksum() == 1
    found = read_image(path)[0]
    np.testing.assert_array_equal(found["FLUX"], image[:, ::-1])
    np.testing.assert_array_equal(found["MASK"], mask)
    assert found["FLUX"].dtype == np.dtype(kind)
    assert found["MASK"].dtype == np.uint16


@pytest.mark.parametrize("compress", [False, True])
def test_headers_are_those_of_astropy(tmp_path, compress):
    """Every card but the sums, whose comments hold the time there, and its place."""
    images = make_images()
    arguments = common()
    write_image(tmp_path / "a.fits", images, compress_masks=compress, **arguments)
    hdus = fits.HDUList(
        [fits.PrimaryHDU(header=make_header(arguments["header"], PROVENANCE.to_cards()))]
    )
    for name, pixels in images.items():
        unit = {"BUNIT": "electron"} if name == "FLUX" else {}
        header = make_header(SKY, unit, make_bit_cards() if name == "MASK" else {})
        if name == "MASK" and compress:
            hdus.append(
                fits.CompImageHDU(
                    pixels, header, name=name, compression_type="RICE_1", tile_shape=(16, 20)
                )
            )
        else:
            hdus.append(fits.ImageHDU(pixels, header, name=name))
    hdus.writeto(tmp_path / "b.fits", checksum=True)
    with (
        fits.open(tmp_path / "a.fits", disable_image_compression=True) as ours,
        fits.open(tmp_path / "b.fits", disable_image_compression=True) as theirs,
    ):
        for one, other in zip(ours, theirs, strict=True):
            cards = [
                [str(c) for c in h.header.cards if c.keyword not in {"CHECKSUM", "DATASUM"}]
                for h in (one, other)
            ]
            assert cards[0] == cards[1]
            assert one.header["DATASUM"] == other.header["DATASUM"]
            assert list(one.header)[-2:] == ["CHECKSUM", "DATASUM"]


def test_same_pixels_make_the_same_file(tmp_path):
    """Nothing of another mask of the same size is left, and no time of writing."""
    for name, seed in (("a", 1), ("b", 2), ("c", 1)):
        write_image(tmp_path / name, make_images(seed), compress_masks=True, **common())
    first, other, again = ((tmp_path / name).read_bytes() for name in "abc")
    assert first == again
    assert first != other


def test_threads_do_not_mix_their_masks(tmp_path):
    masks = [np.full((64, 64), value, "u2") for value in range(24)]

    def write(value):
        images = {"MASK": masks[value]}
        write_image(tmp_path / f"{value}", images, compress_masks=True, **common(units={}))

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(write, range(24)))
    for value, mask in enumerate(masks):
        np.testing.assert_array_equal(read_image(tmp_path / f"{value}")[0]["MASK"], mask)


def test_cards_cannot_undo_the_structure(tmp_path):
    """A card of the caller's that says what the pixels say is left out."""
    images = make_images()
    cards = {**SKY, "NAXIS1": 3, "BZERO": 7, "EXTNAME": "OTHER", "DATASUM": "1"}
    path = write_image(
        tmp_path / "a.fits", images, compress_masks=True, **common(image_header=cards)
    )
    found = read_image(path)[0]
    for name in ("MASK", "VARIANCE"):
        np.testing.assert_array_equal(found[name], images[name])
    with fits.open(path, disable_image_compression=True) as hdus:
        for hdu in hdus[1:]:
            assert list(hdu.header).count("DATASUM") == 1
            assert hdu.verify_checksum() == 1


@pytest.mark.parametrize(
    ("damage", "match"),
    [
        (
            lambda data: data.replace(b"'VARIANCE'", b"'VORIANCE'"),
            r"the header at byte \d+ is read back otherwise",
        ),
        (lambda data: data[:-2880], r"\d+ bytes read back, \d+ written; check the disk"),
    ],
)
def test_disk_that_gives_back_something_else(tmp_path, monkeypatch, damage, match):
    check = images_module._read_back

    def damage_first(partial, *rest):
        partial.write_bytes(damage(partial.read_bytes()))
        check(partial, *rest)

    monkeypatch.setattr(images_module, "_read_back", damage_first)
    with pytest.raises(ProductError, match=match):
        write_image(tmp_path / "a.fits", make_images(), compress_masks=False, **common())
    assert list(tmp_path.iterdir()) == []


def test_wcslib_reads_the_sky(tmp_path):
    path = write_image(tmp_path / "a.fits", make_images(), compress_masks=True, **common())
    with fits.open(path) as hdus:
        for name in ("FLUX", "MASK"):
            wcs = WCS(hdus[name].header)
            # The reference pixel counts from 1 in the header, from 0 in arrays.
            np.testing.assert_allclose(wcs.wcs_pix2world([[9.5, 7.0]], 0), [[150.0, -46.2]])
            assert wcs.wcs.radesys == "ICRS"


def test_byte_order_of_the_caller_is_of_no_account(tmp_path):
    image = np.arange(12, dtype=">f4").reshape(3, 4)
    path = write_image(tmp_path / "a.fits", {"FLUX": image}, compress_masks=False, **common())
    np.testing.assert_array_equal(read_image(path)[0]["FLUX"], image)


def stream(path, images, blocks, **changed):
    shape = next(iter(images.values())).shape
    kinds = {name: image.dtype.name for name, image in images.items()}
    with stream_image(path, kinds, shape=shape, **common(**changed)) as sink:
        for start, stop in blocks:
            for name, image in images.items():
                sink.write(name, start, image[start:stop])


@settings(max_examples=12, deadline=None)
@given(cuts=st.sets(st.integers(1, 15)), order=st.randoms(use_true_random=False))
def test_stream_equals_whole(tmp_path_factory, cuts, order):
    """Blocks of any length, in any order, give the file that is written at once."""
    folder = tmp_path_factory.mktemp("stream")
    images = make_images(2)
    edges = [0, *sorted(cuts), 16]
    blocks = list(itertools.pairwise(edges))
    order.shuffle(blocks)
    stream(folder / "s.fits", images, blocks)
    write_image(folder / "w.fits", images, compress_masks=False, **common())
    with (
        fits.open(folder / "s.fits", checksum=True) as ours,
        fits.open(folder / "w.fits") as whole,
    ):
        ours.verify("exception")
        for one, other in zip(ours, whole, strict=True):
            assert one.verify_checksum() == 1
            skip = {"CHECKSUM", "DATASUM", "BSCALE", "PCOUNT", "GCOUNT"}
            cards = [
                {c.keyword: c.value for c in h.header.cards if c.keyword not in skip}
                for h in (one, other)
            ]
            assert cards[0] == cards[1]
            assert one.header["DATASUM"] == other.header["DATASUM"]
            if one.data is not None:
                np.testing.assert_array_equal(one.data, other.data)


def test_stream_needs_memory_for_one_block_only(tmp_path):
    """32 MB of image pass through a block of 0.26 MB."""
    block = np.ones((64, 1024), "f4")
    tracemalloc.start()
    with stream_image(
        tmp_path / "a.fits", {"FLUX": "float32"}, shape=(8192, 1024), **common()
    ) as sink:
        for start in range(0, 8192, 64):
            sink.write("FLUX", start, block)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The sums read 5.9 MB at a time; numpy's sum and the copy need no more than twice that.
    assert peak < 16e6
    assert (tmp_path / "a.fits").stat().st_size > 32e6


def test_line_left_out(tmp_path):
    with pytest.raises(ValueError, match="image FLUX: line 8 was never written"):
        stream(tmp_path / "a.fits", make_images(), [(0, 8), (9, 16)])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "first", "shape", "match"),
    [
        ("SKY", 0, (2, 20), "name must be one of FLUX, .*received 'SKY'"),
        ("FLUX", 0, (2, 19), r"block must have 20 columns, received shape \(2, 19\)"),
        ("FLUX", 15, (2, 20), "block must lie within lines 0 to 16, received 15, 17"),
        ("FLUX", -1, (2, 20), "block must lie within lines 0 to 16, received -1, 1"),
    ],
)
def test_wrong_block(tmp_path, name, first, shape, match):
    kinds = {"FLUX": "float32", "MASK": "uint16"}
    with (
        pytest.raises(ValueError, match=match),
        stream_image(tmp_path / "a.fits", kinds, shape=(16, 20), **common()) as sink,
    ):
        sink.write(name, first, np.zeros(shape))
    assert list(tmp_path.iterdir()) == []


def test_wrong_arguments(tmp_path):
    path = tmp_path / "a.fits"
    images = make_images()
    with pytest.raises(ValueError, match=r"units must name images \(FLUX, .*received 'SKY'"):
        write_image(path, images, compress_masks=True, **common(units={"SKY": "s"}))
    with pytest.raises(ValueError, match=r"image FLUX must have two axes, received shape \(3,\)"):
        write_image(path, {"FLUX": np.zeros(3)}, compress_masks=True, **common())
    with pytest.raises(ValueError, match="image FLUX must be of a FITS image type, received bool"):
        write_image(path, {"FLUX": np.zeros((2, 2), bool)}, compress_masks=True, **common())
    with (
        pytest.raises(ValueError, match=r"kinds\['FLUX'\] must be a FITS image type.*'complex64'"),
        stream_image(path, {"FLUX": "complex64"}, shape=(2, 2), **common()),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def no_space(*_args, **_kwargs):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_full_disk_leaves_the_older_file(tmp_path, monkeypatch):
    path = write_image(tmp_path / "a.fits", make_images(1), compress_masks=True, **common())
    before = path.read_bytes()

    append = images_module._append

    def write_some(stream, written, *rest):
        if written:  # the primary header still fits
            no_space()
        append(stream, written, *rest)

    monkeypatch.setattr(images_module, "_append", write_some)
    with pytest.raises(ProductError, match=r"a.fits: cannot be written \(No space.*free some"):
        write_image(path, make_images(2), compress_masks=True, **common())
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.fits"]


def test_full_disk_in_the_middle_of_a_stream(tmp_path, monkeypatch):
    write = ImageSink.write

    def write_until_full(self, name, first_line, block):
        if first_line >= 8:
            no_space()
        write(self, name, first_line, block)

    monkeypatch.setattr(ImageSink, "write", write_until_full)
    with pytest.raises(ProductError, match=r"a.fits: cannot be written .*free some space"):
        stream(tmp_path / "a.fits", make_images(), [(0, 8), (8, 16)])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform != "linux", reason="limits the size of files by the system")
@pytest.mark.parametrize("way", ["write_image", "stream"])
def test_system_that_refuses_to_write_on(tmp_path, way):
    """No monkey: the system itself stops the file at 20,000 bytes, in a process of its own."""
    code = f"""
import resource, signal, sys, numpy as np
sys.path.insert(0, {str(Path(__file__).parent)!r})
from test_images import common, stream, write_image, ProductError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
images = {{"FLUX": np.ones((256, 64), "f4")}}
try:
    if {way!r} == "stream":
        stream({str(tmp_path / "a.fits")!r}, images, [(0, 128), (128, 256)])
    else:
        write_image({str(tmp_path / "a.fits")!r}, images, compress_masks=True, **common())
except ProductError as error:
    print("refused:", error)
"""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert "refused:" in done.stdout
    assert "a.fits: cannot be written" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_damaged_file_is_named(tmp_path):
    path = write_image(tmp_path / "a.fits", make_images(), compress_masks=False, **common())
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(ProductError, match=r"a.fits: cannot be read .*remove it and start again"):
        read_image(path)
    (tmp_path / "b.fits").write_text("no FITS")
    with pytest.raises(ProductError, match=r"b.fits: cannot be read"):
        read_image(tmp_path / "b.fits")
    with pytest.raises(ProductError, match=r"c.fits: cannot be read .*No such file"):
        read_image(tmp_path / "c.fits")


def test_all_bits_of_a_mask_survive(tmp_path):
    mask = np.array([[0, int(max(PixelMask)), sum(map(int, PixelMask)), 65535]], dtype="u2")
    path = write_image(tmp_path / "a.fits", {"MASK": mask}, compress_masks=True, **common(units={}))
    np.testing.assert_array_equal(read_image(path)[0]["MASK"], mask)
