"""The coverage map and the table of images."""

import errno
import os

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import Latitude, Longitude
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from mocpy import MOC

from pipeline.errors import ProductError
from pipeline.io.columns import OBSCORE
from pipeline.io.coverage import ImageRecord, make_obscore_rows, write_coverage
from pipeline.io.provenance import make_provenance
from pipeline.io.tables import read_table, write_table

ORDER = 14  # cells of 12.9 arcsec (HEALPix: sqrt(pi/3) / 2^order radians)
CELL = np.degrees(np.sqrt(np.pi / 3) / 2**ORDER)


def rectangle(ra, dec, width, height):
    """Corners of a small rectangle on the sky; sides in degrees on the sky."""
    half = width / 2 / np.cos(np.radians(dec))
    ra = np.mod(np.array([ra - half, ra + half, ra + half, ra - half]), 360)
    return ra, np.array([dec - height / 2] * 2 + [dec + height / 2] * 2)


def contains(moc, ra, dec):
    return bool(moc.contains_lonlat(Longitude([ra], u.deg), Latitude([dec], u.deg))[0])


def area(moc):
    """Square degrees."""
    return moc.sky_fraction * 4 * np.pi * np.degrees(1) ** 2


@settings(max_examples=15, deadline=None)
@given(ra=st.floats(0, 359.99), dec=st.floats(-80, 80))
def test_area_and_place(tmp_path_factory, ra, dec):
    """Everywhere, across 0 h too: the cells touched exceed the outline by its edge at most."""
    folder = tmp_path_factory.mktemp("moc")
    width, height = 0.4, 0.2
    moc = MOC.from_fits(
        write_coverage(folder / "c.fits", [rectangle(ra, dec, width, height)], order=ORDER)
    )
    # Every cell that touches the outline is taken; sides along great circles bulge a little.
    bulge = np.radians(width) ** 2 / 8 * abs(np.tan(np.radians(dec))) * np.degrees(1)
    edge = 2 * (width + height) * 2 * CELL + 4 * width * bulge
    assert width * height - edge < area(moc) < width * height + edge
    assert contains(moc, ra, dec)
    assert not contains(moc, ra, dec + 1.0)
    assert not contains(moc, (ra + 180) % 360, dec)


def test_overlap_counts_once(tmp_path):
    one, same = rectangle(10, -46, 0.2, 0.2), rectangle(10, -46, 0.2, 0.2)
    other = rectangle(12, -46, 0.2, 0.2)
    areas = [
        area(MOC.from_fits(write_coverage(tmp_path / f"{i}.fits", outlines, order=ORDER)))
        for i, outlines in enumerate(([one], [one, same], [one, other]))
    ]
    assert areas[0] == areas[1]
    assert areas[2] == pytest.approx(2 * areas[0], rel=0.05)


def test_file_is_a_standard_map(tmp_path):
    """Keywords of IVOA MOC 2.0, section 4.3.1 (from memory)."""
    path = write_coverage(tmp_path / "new" / "c.fits", [rectangle(10, 0, 0.2, 0.2)], order=ORDER)
    header = fits.getheader(path, 1)
    assert header["ORDERING"] in {"NUNIQ", "RANGE"}
    assert header["COORDSYS"] == "C"
    assert int(header.get("MOCORD_S", header.get("MOCORDER"))) == ORDER


def test_nothing_covered(tmp_path):
    assert MOC.from_fits(write_coverage(tmp_path / "c.fits", [], order=ORDER)).empty()


def test_full_disk_leaves_the_old_map(tmp_path, monkeypatch):
    path = write_coverage(tmp_path / "c.fits", [rectangle(10, 0, 0.2, 0.2)], order=ORDER)
    before = path.read_bytes()

    def refuse(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(ProductError, match=r"c.fits: cannot be written .*free some space"):
        write_coverage(path, [], order=ORDER)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["c.fits"]


def record(**changed):
    values = {
        "path": "stacks/t1_r.fits", "obs_id": "t1_r", "target": "t1", "calib_level": 3,
        "ra": 10.0, "dec": -46.0, "fov": 0.22,
        "outline": rectangle(10.0, -46.0, 0.156, 0.156), "t_min": 60838.1, "t_max": 60840.2,
        "exposure": 105.0, "resolution": 1.4, "shape": (1024, 1000), "facility": "Test Hill",
        "instrument": "camera", "filter": "r", "size_bytes": 12_345_678,
    }  # fmt: skip
    return ImageRecord(**{**values, **changed})


def test_rows_make_the_table(tmp_path, camera):
    rows = make_obscore_rows([record(), record(calib_level=2, path="tiles/t1/s1.fits")])
    assert list(rows) == [c.name for c in OBSCORE]
    write_table(tmp_path / "obscore", rows, schema=OBSCORE, meta={}, formats=["parquet", "fits"],
                provenance=make_provenance(camera.config))  # fmt: skip
    for suffix in ("parquet", "fits"):
        found = read_table(tmp_path / f"obscore.{suffix}")
        assert list(found["calib_level"]) == [3, 2]
        assert list(found["dataproduct_type"]) == ["image"] * 2
        assert list(found["access_url"]) == ["stacks/t1_r.fits", "tiles/t1/s1.fits"]
        assert list(found["access_estsize"]) == [12345] * 2  # kbyte
        assert (found["s_xel1"][0], found["s_xel2"][0]) == (1000, 1024)
        assert np.isnan(found["em_min"]).all()
        assert (found["t_max"] > found["t_min"]).all()


def test_rows_say_what_the_records_say():
    """Right values in the right columns, in the units of ObsCore 1.1 (deg, d, s, arcsec)."""
    rows = make_obscore_rows([record()])
    expected = {
        "obs_collection": "Test Hill", "obs_id": "t1_r", "access_format": "image/fits",
        "target_name": "t1", "s_ra": 10.0, "s_dec": -46.0, "s_fov": 0.22, "s_resolution": 1.4,
        "t_min": 60838.1, "t_max": 60840.2, "t_exptime": 105.0, "t_resolution": 105.0, "t_xel": 1,
        "em_xel": 1, "pol_xel": 1, "o_ucd": "phot.flux", "facility_name": "Test Hill",
        "instrument_name": "camera, filter r",
    }  # fmt: skip
    assert {name: rows[name][0] for name in expected} == expected


def test_region_reads_back_as_the_outline():
    (region,) = make_obscore_rows([record()])["s_region"]
    shape, frame, *numbers = region.split()
    assert (shape, frame) == ("POLYGON", "ICRS")
    ra, dec = record().outline
    np.testing.assert_allclose([float(n) for n in numbers[0::2]], ra, atol=6e-7)
    np.testing.assert_allclose([float(n) for n in numbers[1::2]], dec, atol=6e-7)


def test_no_images_make_an_empty_table(tmp_path, camera):
    rows = make_obscore_rows([])
    write_table(tmp_path / "o", rows, schema=OBSCORE, meta={}, formats=["parquet"],
                provenance=make_provenance(camera.config))  # fmt: skip
    assert len(read_table(tmp_path / "o.parquet")["s_ra"]) == 0
