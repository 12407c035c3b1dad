"""Writing behind the computing thread."""

import threading
import time

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import DiskFullError
from pipeline.io.behind import write_behind
from pipeline.io.fingerprint import fingerprint_file
from pipeline.io.images import write_image
from pipeline.io.store import Store
from pipeline.io.tally import keep_tally, note_written
from tests.io.test_images import PROVENANCE


def test_calls_run_one_after_the_other_beside_the_body():
    begun, ended = [], []
    gate = threading.Event()

    def call(number):
        begun.append(number)
        gate.wait(10.0)
        ended.append(number)

    with write_behind() as write:
        write(call, 1)
        assert not ended  # the body goes on while the first waits
        gate.set()
        write(call, 2)
        assert ended[0] == 1  # but a second has to wait for it
    assert begun == ended == [1, 2]


def test_a_failure_comes_out_of_the_next_call_or_the_end():
    def fail():
        raise DiskFullError("no room")

    with pytest.raises(DiskFullError, match="no room"), write_behind() as write:
        write(fail)
    calls = []
    with pytest.raises(DiskFullError, match="no room"), write_behind() as write:  # noqa: PT012
        write(fail)
        write(calls.append, 1)
    assert not calls


def test_the_bodys_own_failure_comes_first_and_waits_for_the_file():
    ended = []

    def call():
        time.sleep(0.05)
        ended.append(1)

    with pytest.raises(ValueError, match="body"), write_behind() as write:  # noqa: PT012
        write(call)
        raise ValueError("body")
    assert ended == [1]


def test_what_is_written_behind_is_tallied_with_its_checksum(tmp_path):
    images = {"FLUX": np.arange(12.0, dtype=np.float32).reshape(3, 4)}
    keywords = {
        "header": {}, "image_header": {}, "units": {}, "provenance": PROVENANCE,
        "compress_masks": False,
    }  # fmt: skip
    paths = [tmp_path / f"{n}.fits" for n in range(3)]
    with keep_tally() as tally, write_behind() as write:
        for path in paths:
            write(write_image, path, images, **keywords)
    assert tally.written == {str(p): (p.stat().st_size, fingerprint_file(p)) for p in paths}
    with fits.open(paths[0], checksum=True) as hdus:
        assert np.array_equal(hdus["FLUX"].data, images["FLUX"])


def test_a_store_believes_a_tallied_checksum_and_reads_for_others(tmp_path):
    store = Store(tmp_path)
    files = [tmp_path / "a.fits", tmp_path / "b.fits", tmp_path / "c.fits"]
    for file in files:
        file.write_bytes(b"content")
    with keep_tally() as tally:
        note_written(files[0], 7, fingerprint_file(files[0]))
        note_written(files[1], 8, "xxh3:of another size")
    entry = store.keep(
        "s", key="k", components={}, value=1, facts={}, products=files, written=tally.written
    )
    assert {c for _, _, c in entry.products} == {fingerprint_file(files[0])}
    # A product that is not what its writer saw is found when it is asked for again.
    store.keep("t", key="k", components={}, value=1, facts={}, products=files[:1],
               written={str(files[0]): (7, "xxh3:what was meant")})  # fmt: skip
    assert store.find("s", "k") is not None
    assert store.find("t", "k") is None
