"""Tables: what is written comes back, with units, UCDs and descriptions, from both formats."""

import errno
import os

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy.io import fits
from astropy.table import Table
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.errors import ProductError
from pipeline.flags import PixelMask, SourceFlag
from pipeline.io import fits_tables, tables
from pipeline.io.columns import SCHEMAS, Column
from pipeline.io.provenance import Provenance
from pipeline.io.tables import read_either, read_table, read_table_meta, write_table

PROVENANCE = Provenance(
    code="driftloom 0", python="3", libraries=(("numpy", "2"),), config="c" * 64,
    inputs=(("a.fits", "x"),),
)  # fmt: skip
FULL = Provenance(
    code="driftloom 0.1", python="3.12.1", libraries=(("numpy", "2.1"), ("pyarrow", "16.0.0")),
    config="c" * 64, inputs=(("a b.fits", "sha256:" + "0" * 64), ("c.fits", "header:12")),
    calibration=("night/1_dark.fits", "night/1_r response.fits"),
)  # fmt: skip
SCHEMA = (
    Column("source_id", "int64", "", "meta.id;meta.main", "number"),
    Column("flags", "int32", "", "meta.code.qual", "bits"),
    Column("small", "int16", "", "meta.number", "small number"),
    Column("ra", "float64", "deg", "pos.eq.ra;meta.main", "right ascension"),
    Column("size", "float32", "pixel", "phys.angSize", "size"),
    Column("cloudy", "bool", "", "meta.code.qual", "cloud or none"),
    Column("tile", "str", "", "meta.id", "tile"),
    Column("peak", "float64", "electron", "phot.count", "brightest", optional=True),
)
GOOD = {
    "source_id": np.array([1, 2**62, -1]), "flags": np.array([0, 2**30, 7], "i4"),
    "small": np.array([-32768, 0, 32767]), "ra": np.array([0.1, np.nan, 359.9999999999]),
    "size": np.array([1.5, 2.5, np.inf], "f4"), "cloudy": np.array([True, False, True]),
    "tile": ["a", "long name", ""],
}  # fmt: skip
BOTH = ("parquet", "fits")


def write(stem, columns=GOOD, **changed):
    options = {
        "schema": SCHEMA, "meta": {"FILTER": ("r", "filter"), "ZP": np.nan}, "formats": BOTH,
        "provenance": PROVENANCE, **changed,
    }  # fmt: skip
    return write_table(stem, columns, **options)


def test_round_trip(tmp_path):
    paths = write(tmp_path / "new" / "t")
    assert [p.name for p in paths] == ["t.parquet", "t.fits"]
    for path in paths:
        found = read_table(path)
        assert list(found) == list(GOOD)
        for column in SCHEMA[:-1]:
            np.testing.assert_array_equal(found[column.name], GOOD[column.name])
            if column.kind != "str":
                assert found[column.name].dtype == np.dtype(column.kind)
                assert found[column.name].dtype.isnative
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == ["t.fits", "t.parquet"]


def test_either_format_will_do_and_parquet_goes_first(tmp_path):
    write(tmp_path / "one.night", formats=("fits",))
    np.testing.assert_array_equal(read_either(tmp_path / "one.night")["ra"], GOOD["ra"])
    write(tmp_path / "one.night", {**GOOD, "ra": np.zeros(3)}, formats=("parquet",))
    np.testing.assert_array_equal(read_either(tmp_path / "one.night")["ra"], np.zeros(3))
    with pytest.raises(ProductError, match=r"other: neither Parquet nor FITS table is there"):
        read_either(tmp_path / "other")


@pytest.mark.parametrize("name", BOTH)
def test_only_columns_asked_for(tmp_path, name):
    write(tmp_path / "t")
    found = read_table(tmp_path / f"t.{name}", columns=["ra", "flags"])
    assert set(found) == {"ra", "flags"}
    with pytest.raises(
        ProductError, match=rf"t.{name}: has no column 'dec'; remove it and start again"
    ):
        read_table(tmp_path / f"t.{name}", columns=["ra", "dec"])


def test_parquet_says_what_columns_are(tmp_path):
    write(tmp_path / "t")
    schema = pq.read_schema(tmp_path / "t.parquet")
    for column in SCHEMA[:-1]:
        about = schema.field(column.name).metadata
        assert about[b"unit"].decode() == column.unit
        assert about[b"ucd"].decode() == column.ucd
        assert about[b"description"].decode() == column.text
    meta, provenance = read_table_meta(tmp_path / "t.parquet")
    assert meta == {"FILTER": "r", "ZP": None}
    assert provenance == PROVENANCE


@pytest.mark.parametrize("bits", ["", "mask", "flags"])
def test_both_formats_say_the_same_of_the_table(tmp_path, bits):
    """Texts of any length, whole numbers, truth, real numbers, and not known."""
    about = {
        "FILTER": ("r", "filter"), "LONG": "abcdefghij" * 15, "EMPTY": "", "COUNT": 2**40,
        "CLEAR": True, "GAIN_A": (1.0 / 3.0, "[electron/adu]"), "TINY": -1.2345678901234e-100,
        "MJD-BEG": 60838.123456789012, "ZP": np.nan, "TUNITS": "no structure", "TFORM0": 7,
    }  # fmt: skip
    parquet, table = (
        read_table_meta(path)
        for path in write(tmp_path / "t", meta=about, provenance=FULL, bits=bits)
    )
    # Real numbers of a FITS card have 20 characters (FITS 4.0, section 4.2.4, fixed format), of
    # which sign, point and exponent take 7 here.
    assert table[0].pop("TINY") == pytest.approx(parquet[0].pop("TINY"), rel=1e-12, abs=0)
    del about["TINY"]
    assert table[0] == parquet[0]
    assert set(about) <= set(table[0])
    assert len(table[0]) == len(about) + {"": 0, "mask": len(PixelMask), "flags": len(SourceFlag)}[
        bits
    ]  # fmt: skip
    assert table[0]["GAIN_A"] == 1.0 / 3.0
    assert table[0]["LONG"] == "abcdefghij" * 15
    assert table[0]["ZP"] is None
    assert table[1] == parquet[1] == FULL


def test_meta_of_a_table_of_other_making(tmp_path):
    Table({"a": [1, 2]}, meta={"COLOUR": "red"}).write(tmp_path / "t.fits")
    assert read_table_meta(tmp_path / "t.fits") == ({"COLOUR": "red"}, None)
    pq.write_table(pa.table({"a": [1, 2]}), tmp_path / "t.parquet")
    assert read_table_meta(tmp_path / "t.parquet") == ({}, None)


def test_fits_says_what_columns_are(tmp_path):
    """Read by astropy, structure and sums verified."""
    write(tmp_path / "t", bits="flags")
    with fits.open(tmp_path / "t.fits", checksum=True) as hdus:
        hdus.verify("exception")
        header = hdus[1].header
        for number, column in enumerate(SCHEMA[:-1], 1):
            assert header[f"TTYPE{number}"] == column.name
            assert header.get(f"TUNIT{number}", "") == column.unit
            assert header[f"TUCD{number}"] == column.ucd
            assert header[f"TCOMM{number}"] == column.text
        assert header["FILTER"] == "r"
        assert header["BIT1"].startswith("SATURATED")
        assert hdus[0].header["CREATOR"] == "driftloom 0"
    table = Table.read(tmp_path / "t.fits")
    assert table["ra"].unit == "deg"
    assert list(table["tile"].filled("")) == ["a", "long name", ""]


@pytest.mark.parametrize("name", SCHEMAS)
@pytest.mark.parametrize("rows", [0, 2])
def test_every_schema_can_be_written(tmp_path, name, rows):
    columns = {
        c.name: np.full(rows, "x") if c.kind == "str" else np.ones(rows, c.kind)
        for c in SCHEMAS[name]
    }
    for path in write(tmp_path / "t", columns, schema=SCHEMAS[name], bits="mask"):
        found = read_table(path)
        assert list(found) == [c.name for c in SCHEMAS[name]]
        assert all(len(v) == rows for v in found.values())
        for c in SCHEMAS[name]:
            np.testing.assert_array_equal(found[c.name], columns[c.name])


@settings(max_examples=25, deadline=None)
@given(
    real=arrays("f8", st.integers(0, 20), elements=st.floats(allow_subnormal=False)),
    seed=st.integers(0, 9),
)
def test_numbers_are_exact(tmp_path_factory, real, seed):
    folder = tmp_path_factory.mktemp("exact")
    schema = (SCHEMA[3], SCHEMA[0])
    whole = np.random.default_rng(seed).integers(-(2**63), 2**63 - 1, real.size)
    for path in write(folder / "t", {"ra": real, "source_id": whole}, schema=schema):
        found = read_table(path)
        np.testing.assert_array_equal(found["ra"], real)
        np.testing.assert_array_equal(found["source_id"], whole)


@settings(max_examples=25, deadline=None)
@given(n=st.integers(0, 33), part=st.sampled_from([4, 8, 16]))
def test_rows_held_at_once_change_nothing(tmp_path_factory, n, part):
    folder = tmp_path_factory.mktemp("parts")
    rng = np.random.default_rng(n)
    columns = {
        "source_id": rng.integers(-9, 9, n), "flags": rng.integers(0, 9, n).astype("i4"),
        "small": rng.integers(0, 9, n).astype("i2"), "ra": rng.normal(size=n),
        "size": rng.normal(size=n).astype("f4"), "cloudy": rng.random(n) < 0.5,
        "tile": rng.choice(["a", "long name", ""], n),
    }  # fmt: skip
    whole = write(folder / "t", columns)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fits_tables, "_ROWS", part)
        patch.setattr(tables, "_GROUP", part)
        parts = write(folder / "p", columns)
    assert parts[1].read_bytes() == whole[1].read_bytes()
    assert pq.read_table(parts[0]).equals(pq.read_table(whole[0]), check_metadata=True)
    # astropy agrees with the sums (a wrong one is a warning, which is an error here), and writes
    # the same data.
    with fits.open(whole[1], checksum=True) as hdus:
        hdus.verify("exception")
        data = hdus[1].data
        again = fits.BinTableHDU.from_columns(
            [fits.Column(c.name, c.format, array=data[c.name]) for c in hdus[1].columns]
        )
        again.add_checksum()
        if n:  # of texts alone the width is stated otherwise where there are none
            assert again.header["DATASUM"] == hdus[1].header["DATASUM"]


def test_letters_beyond_ascii(tmp_path):
    """FITS tables hold ASCII only (FITS 4.0, section 7.3.3.1); Parquet holds all."""
    paths = write(tmp_path / "t", {**GOOD, "tile": ["é", "b", "c"]})
    assert list(read_table(paths[0])["tile"]) == ["é", "b", "c"]
    assert list(read_table(paths[1])["tile"]) == ["?", "b", "c"]


BAD = [
    ({"dec": [1, 2, 3]}, "columns has unknown dec; valid columns: source_id, flags"),
    ({"ra": None}, "columns lacks ra"),
    ({"ra": [1.0, 2.0]}, "columns must have one length, received .*'ra': 2"),
    ({"ra": [[1.0]]}, r"column ra must be one-dimensional, received shape \(1, 1\)"),
    ({"ra": ["a", "b", "c"]}, "column ra must hold float64, received <U1"),
    ({"flags": [1.0, 2.0, 3.0]}, "column flags must hold int32, received float64"),
    ({"flags": [1, 2, 2**31]}, "column flags must fit int32, received up to 2147483648"),
]


@pytest.mark.parametrize(("change", "match"), BAD, ids=lambda v: str(v)[:25])
def test_wrong_columns(tmp_path, change, match):
    columns = {k: v for k, v in {**GOOD, **change}.items() if v is not None}
    with pytest.raises(ValueError, match=match):
        write(tmp_path / "t", columns)
    assert list(tmp_path.iterdir()) == []


def test_wrong_words(tmp_path):
    with pytest.raises(ValueError, match="formats must be 'parquet' or 'fits', received 'csv'"):
        write(tmp_path / "t", formats=("csv",))
    with pytest.raises(ValueError, match=r"bits must be .*received 'bit'"):
        write(tmp_path / "t", bits="bit")


@pytest.mark.parametrize("name", BOTH)
def test_damaged_table_is_named(tmp_path, name):
    write(tmp_path / "t")
    path = tmp_path / f"t.{name}"
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(ProductError, match=rf"t.{name}: cannot be read .*remove it and start"):
        read_table(path)
    path.unlink()
    with pytest.raises(ProductError, match=rf"t.{name}: cannot be read"):
        read_table(path)


@pytest.mark.parametrize("name", BOTH)
def test_damaged_metadata_are_named(tmp_path, name):
    (tmp_path / f"t.{name}").write_bytes(b"PAR1")
    with pytest.raises(ProductError, match=rf"t.{name}: cannot be read .*remove it and start"):
        read_table_meta(tmp_path / f"t.{name}")


@pytest.mark.parametrize("name", BOTH)
def test_full_disk_leaves_the_older_table(tmp_path, monkeypatch, name):
    (path,) = write(tmp_path / "t", formats=(name,))
    before = path.read_bytes()

    def refuse(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    # Both have written the beginning of the file by then.
    monkeypatch.setattr(pq.ParquetWriter, "write_table", refuse)
    monkeypatch.setattr(fits_tables, "sum_words", refuse)
    with pytest.raises(ProductError, match=rf"t.{name}: cannot be written .*free some space"):
        write(tmp_path / "t", formats=(name,))
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
