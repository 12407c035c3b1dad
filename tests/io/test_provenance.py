"""Where products come from: checksums that notice changes, cards that come back."""

import hashlib
import os
import re

import numpy as np
import pytest
from astropy.io import fits

from pipeline import __version__
from pipeline.errors import RawError
from pipeline.io.cards import make_header
from pipeline.io.provenance import Provenance, checksum_file, checksum_raw, make_provenance


def test_round_trip_and_digest(camera):
    inputs = [("001.fits", "sha256:12"), ("002.fits", "sha256:34")]
    made = make_provenance(camera.config, inputs=inputs, calibration=["night/c1_dark.fits"])
    assert Provenance.from_json(made.to_json()) == made
    assert made.code == f"driftloom {__version__}"
    assert made.config == camera.config.digest()
    assert dict(made.libraries)["numpy"] == np.__version__
    assert made.inputs == tuple(inputs)
    again = make_provenance(camera.config, inputs=inputs, calibration=["night/c1_dark.fits"])
    assert again.digest == made.digest
    other = make_provenance(camera.config, inputs=inputs, calibration=["night/c2_dark.fits"])
    assert other.digest != made.digest


def test_cards_come_back_from_a_file(tmp_path, camera):
    """Long names take several cards and come back whole."""
    name = "a very long name of a segment " * 4 + ".fits"
    made = make_provenance(camera.config, inputs=[(name, "sha256:" + "0" * 64)],
                           calibration=["dark"])  # fmt: skip
    fits.PrimaryHDU(header=make_header(made.to_cards())).writeto(tmp_path / "p.fits")
    header = fits.getheader(tmp_path / "p.fits")
    assert header["CREATOR"] == made.code
    assert header["CONFIG"] == made.config
    assert header["CALIB1"] == "dark"
    assert header["NINPUT"] == 1
    assert header["INPUT1"] == f"{name} sha256:{'0' * 64}"
    assert header["LIB1"].startswith("numpy ")
    assert Provenance.from_cards(header) == made
    assert Provenance.from_cards(fits.Header()) is None


def test_more_inputs_than_keywords_can_count(camera):
    inputs = [(f"{i}.fits", "x") for i in range(1200)]
    cards = make_provenance(camera.config, inputs=inputs).to_cards()
    assert cards["NINPUT"][0] == 1200
    assert "INPUT999" in cards
    assert max(map(len, cards)) == 8
    found = Provenance.from_cards(make_header(cards))
    assert found.inputs == tuple(inputs[:999])


def test_checksum_of_a_whole_file(tmp_path):
    data = np.random.default_rng(1).bytes(3_000_001)
    (tmp_path / "x").write_bytes(data)
    assert checksum_file(tmp_path / "x") == f"sha256:{hashlib.sha256(data).hexdigest()}"


def test_full_checksum_of_a_raw_file(camera):
    path = camera.write(1, 0, 40)
    assert checksum_raw(path, hdu=0, full=True) == checksum_file(path)


def test_quick_checksum_notices_header_size_and_time(camera):
    path = camera.write(1, 0, 40)
    first = checksum_raw(path, hdu=0, full=False)
    assert first.startswith("header:")
    assert checksum_raw(path, hdu=0, full=False) == first
    status = path.stat()
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns + 1))
    later = checksum_raw(path, hdu=0, full=False)
    assert later != first
    data = path.read_bytes().replace(b"FILTER  = 'r", b"FILTER  = 'g")
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert checksum_raw(path, hdu=0, full=False) not in {first, later}
    path.write_bytes(data + b"\0" * 2880)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert len({first, later, checksum_raw(path, hdu=0, full=False)}) == 3


@pytest.mark.parametrize("kind", ["plain", "tiled"])
def test_stated_datasum_is_taken(camera, kind):
    """It does not depend on when the file was copied, but on its pixels and header."""
    sums = []
    for number, value in enumerate((1, 1, 2), 1):
        data = np.full((40, 30), value, np.uint16)
        path = camera.write(1, 0, 40, data=data, kind=kind, name=f"{number}.fits")
        with fits.open(path) as hdus:
            hdus.writeto(path.with_suffix(".new"), checksum=True)
        # Its writer notes the time of day in both cards.
        text = path.with_suffix(".new").read_bytes()
        text = re.sub(rb"updated \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", b"updated".ljust(27), text)
        path.write_bytes(re.sub(rb"CHECKSUM= '\w{16}'", b"CHECKSUM= 'aaaaaaaaaaaaaaaa'", text))
        os.utime(path, ns=(number, number))
        sums.append(checksum_raw(path, hdu=0, full=False))
    assert all(s.startswith("datasum:") for s in sums)
    assert sums[0] == sums[1]
    assert sums[0] != sums[2]


def test_unreadable_raw_file(camera):
    (camera.folder / "x.fits").write_bytes(b"")
    with pytest.raises(RawError, match=r"x.fits: empty file"):
        checksum_raw(camera.folder / "x.fits", hdu=0, full=False)
