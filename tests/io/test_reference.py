"""The reference catalogue: every format, units of the file, and what is said of bad input."""

import astropy.units as u
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy.io import fits
from astropy.table import MaskedColumn, Table

from pipeline.errors import DriftloomError, ReferenceCatalogueError
from pipeline.io.columns import Column
from pipeline.io.provenance import Provenance
from pipeline.io.reference import read_reference
from pipeline.io.tables import write_table

NAMES = {
    "ra": "right", "dec": "declination", "pm_ra": "moves_ra", "pm_dec": "moves_dec",
    "ra_err": "err_ra", "dec_err": "err_dec",
}  # fmt: skip
COLUMNS = "[reference.columns]\n" + "\n".join(f'{k} = "{v}"' for k, v in NAMES.items())
ERRORS = '[reference.magnitude_errors]\nr = "bright_err"'


def stars():
    return {
        "right": np.array([359.5, 0.25, 120.125]), "declination": np.array([-46.0, -45.5, 89.0]),
        "moves_ra": np.array([1.0, -2.0, 3.5]), "moves_dec": np.array([0.5, 0.0, -100.0]),
        "err_ra": np.array([0.1, 0.2, 0.3]), "err_dec": np.array([0.4, 0.5, 0.6]),
        "bright": np.array([12.0, 15.5, 18.25]), "bright_err": np.array([0.01, 0.02, 0.03]),
    }  # fmt: skip


@pytest.fixture
def configure(make_camera):
    def make(name, *, columns=COLUMNS, errors=ERRORS, options=""):
        camera = make_camera(
            edits=[
                ('path = "reference.fits"',
                 f'path = "{name}"\n{columns}\n{errors}\n[reference.options]\n{options}'),
                ('r = "mag_r"', 'r = "bright"'),
            ]
        )  # fmt: skip
        return camera.config, camera.folder / name

    return make


FORMATS = {
    "a.fits": "fits", "a.fit": "fits", "a.fits.gz": "fits", "A.FITS": "fits", "a.csv": "ascii.csv",
    "a.ecsv": "ascii.ecsv", "a.vot": "votable", "a.xml": "votable", "a.parquet": None,
}  # fmt: skip


def write(path, table):
    kind = next(v for k, v in FORMATS.items() if k.endswith("".join(path.suffixes)))
    if kind is None:
        pq.write_table(pa.table({n: np.asarray(table[n]) for n in table.colnames}), path)
    else:
        table.write(path, format=kind)


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_is_read(configure, name):
    config, path = configure(name)
    write(path, Table(stars()))
    found = read_reference(config, "r")
    assert len(found) == 3
    assert found.n_dropped == 0
    for ours, theirs in [*NAMES.items(), ("mag", "bright"), ("mag_err", "bright_err")]:
        values = getattr(found, ours)
        np.testing.assert_array_equal(values, stars()[theirs])
        assert values.dtype == np.float64
        assert values.dtype.isnative
    np.testing.assert_array_equal(found.index, [0, 1, 2])


@pytest.mark.parametrize("name", ["a.fits", "a.ecsv", "a.vot"])
def test_units_of_the_file_are_converted(configure, name):
    config, path = configure(name)
    table = Table(stars())
    table["right"] = (table["right"] / 15.0) * u.hourangle
    table["declination"] = np.deg2rad(table["declination"]) * u.rad
    table["moves_ra"] = table["moves_ra"] * 1e-3 * u.arcsec / u.yr
    table["err_ra"] = (table["err_ra"] * u.mas).to(u.deg)
    table["bright"].unit = u.mag
    if name == "a.fits":  # FITS 4.0 knows no hour angle; degrees say the same
        table["right"] = table["right"].to(u.deg)
    write(path, table)
    found = read_reference(config, "r")
    np.testing.assert_allclose(found.ra, stars()["right"], rtol=1e-14)
    np.testing.assert_allclose(found.dec, stars()["declination"], rtol=1e-14)
    np.testing.assert_allclose(found.pm_ra, stars()["moves_ra"], rtol=1e-14)
    np.testing.assert_allclose(found.ra_err, stars()["err_ra"], rtol=1e-14)
    np.testing.assert_array_equal(found.mag, stars()["bright"])


def test_units_in_parquet_written_by_us(configure):
    """A catalogue of this program can be the reference of another run."""
    config, path = configure("a.parquet")
    given = stars()
    given["err_ra"] = given["err_ra"] * 1e-3
    units = {"right": "deg", "declination": "deg", "err_ra": "arcsec", "bright": "mag"}
    schema = tuple(Column(n, "float64", units.get(n, ""), "meta.id", n) for n in given)
    write_table(
        path.with_suffix(""), given, schema=schema, meta={}, formats=("parquet",),
        provenance=Provenance(code="", python="", libraries=(), config=""),
    )  # fmt: skip
    found = read_reference(config, "r")
    np.testing.assert_allclose(found.ra_err, stars()["err_ra"], rtol=1e-14)
    np.testing.assert_array_equal(found.ra, stars()["right"])


def test_magnitudes_with_a_system(configure):
    """A zero point in the unit is the catalogue's own affair."""
    config, path = configure("a.ecsv")
    table = Table(stars())
    table["bright"].unit = u.ABmag
    write(path, table)
    np.testing.assert_array_equal(read_reference(config, "r").mag, stars()["bright"])


def test_strange_unit_of_an_unused_column(configure):
    config, path = configure("a.fits")
    table = Table(stars())
    table["other"] = np.ones(3)
    table.write(path, format="fits")
    with fits.open(path, mode="update") as hdus:
        hdus[1].header[f"TUNIT{len(table.columns)}"] = "furlongs"
    assert len(read_reference(config, "r")) == 3


def test_columns_that_are_not_there_have_stated_values(configure):
    config, path = configure(
        "a.csv", columns='[reference.columns]\nra = "right"\ndec = "declination"', errors="",
        options="position_error = 55.0\nmagnitude_error = 0.07",
    )  # fmt: skip
    write(path, Table({n: stars()[n] for n in ("right", "declination", "bright")}))
    found = read_reference(config, "r")
    assert (found.pm_ra == 0).all()
    assert (found.pm_dec == 0).all()
    assert (found.ra_err == 55.0).all()
    assert (found.dec_err == 55.0).all()
    assert (found.mag_err == 0.07).all()


def test_rows_without_a_position_are_counted_and_left_out(configure):
    config, path = configure("a.ecsv", options="position_error = 9.0\nmagnitude_error = 0.5")
    given = {n: np.tile(v, 3) for n, v in stars().items()}
    given["right"][1] = np.nan
    given["declination"][2] = np.inf
    given["declination"][4] = -90.5
    given["right"][6] = 361.0
    given["right"][7] = -1.0
    given["moves_ra"][0] = np.nan
    given["err_dec"][0] = np.nan
    given["err_dec"][8] = -1.0
    given["bright"][8] = np.nan
    given["bright_err"][8] = np.nan
    table = Table(given)
    table["right"] = MaskedColumn(table["right"], mask=np.arange(9) == 3)
    write(path, table)
    found = read_reference(config, "r")
    assert found.n_dropped == 4
    np.testing.assert_array_equal(found.index, [0, 5, 6, 7, 8])
    np.testing.assert_array_equal(found.ra[2:4], [1.0, 359.0])
    assert found.pm_ra[0] == 0.0
    assert found.dec_err[0] == 9.0
    assert found.dec_err[-1] == 9.0
    assert np.isnan(found.mag[-1])
    assert found.mag_err[-1] == 0.5
    assert np.isfinite(found.pm_ra).all()


def test_nulls_in_parquet(configure):
    config, path = configure("a.parquet")
    data = {n: v.tolist() for n, v in stars().items()}
    data["right"][0] = None
    data["moves_dec"][1] = None
    pq.write_table(pa.table(data), path)
    found = read_reference(config, "r")
    np.testing.assert_array_equal(found.index, [1, 2])
    assert found.n_dropped == 1
    assert found.pm_dec[0] == 0.0


def test_whole_numbers_are_numbers(configure):
    config, path = configure("a.fits")
    table = Table(stars())
    table["bright"] = np.array([12, 13, 14], "i2")
    write(path, table)
    np.testing.assert_array_equal(read_reference(config, "r").mag, [12.0, 13.0, 14.0])


def test_another_hdu(configure):
    config, path = configure("a.fits", options="hdu = 2")
    Table({"x": [1]}).write(path)
    Table(stars()).write(path, append=True)
    assert len(read_reference(config, "r")) == 3


def fail(config, match, filter_name="r"):
    with pytest.raises(ReferenceCatalogueError, match=match) as caught:
        read_reference(config, filter_name)
    assert isinstance(caught.value, DriftloomError)
    assert str(config.reference_path) in str(caught.value)


def test_no_file(configure):
    fail(configure("a.fits")[0], "a.fits: no such file; set reference.path")


def test_unknown_suffix(configure):
    config, path = configure("stars.dat")
    path.write_text("1 2 3")
    fail(config, r"stars.dat: unknown kind of table; reference.path must end in .fits")


@pytest.mark.parametrize("name", ["a.fits", "a.parquet", "a.vot", "a.ecsv"])
@pytest.mark.parametrize("content", [b"", b"\x00\xff no table at all \n,"])
def test_damaged_file(configure, name, content):
    config, path = configure(name)
    path.write_bytes(content)
    fail(config, rf"{name}: cannot be read as \w+ \(")


def test_truncated_file(configure):
    config, path = configure("a.fits")
    write(path, Table({n: np.tile(v, 500) for n, v in stars().items()}))
    path.write_bytes(path.read_bytes()[:9000])
    fail(config, "a.fits: cannot be read as fits")


def test_folder_instead_of_file(configure):
    config, path = configure("a.fits")
    path.mkdir()
    fail(config, "a.fits: cannot be read as fits")


@pytest.mark.parametrize("word", [*NAMES, "mag", "mag_err"])
def test_missing_column(configure, word):
    config, path = configure("a.csv")
    table = Table(stars())
    name = {**NAMES, "mag": "bright", "mag_err": "bright_err"}[word]
    key = {"mag": "reference.magnitudes.r", "mag_err": "reference.magnitude_errors.r"}.get(
        word, f"reference.columns.{word}"
    )
    table.remove_column(name)
    write(path, table)
    fail(config, rf"a.csv: no column '{name}', asked for by {key}; the file has .*, ")


def test_unknown_filter(configure):
    config, path = configure("a.csv")
    write(path, Table(stars()))
    fail(
        config,
        r"no magnitudes for filter 'z'; add it to \[reference.magnitudes\] \(known there: r\) or "
        "correct raw.keywords.filter",
        "z",
    )


def test_texts_instead_of_numbers(configure):
    config, path = configure("a.csv")
    table = Table(stars())
    table["right"] = ["12h", "13h", "14h"]
    write(path, table)
    fail(config, r"column 'right' \(reference.columns.ra\) does not hold numbers")


@pytest.mark.parametrize(
    ("name", "unit", "match"),
    [
        ("right", "m", r"'right' \(reference.columns.ra\) is in m, which cannot be made deg"),
        ("moves_ra", "mas", r"'moves_ra' \(reference.columns.pm_ra\) is in mas, .* mas / yr"),
        ("bright", "Jy", r"'bright' \(reference.magnitudes.r\) is in Jy, which cannot be made mag"),
        ("right", "furlongs", r"'right' \(reference.columns.ra\) is in furlongs, which cannot"),
    ],
)
def test_wrong_unit(configure, name, unit, match):
    config, path = configure("a.ecsv")
    table = Table(stars())
    table[name].unit = u.Unit(unit, parse_strict="silent")
    write(path, table)
    fail(config, match)


def test_arrays_in_a_column(configure):
    config, path = configure("a.fits")
    table = Table(stars())
    table["right"] = np.ones((3, 2))
    write(path, table)
    fail(config, r"'right' \(reference.columns.ra\) holds arrays of shape \(2,\), expected numbers")


@pytest.mark.parametrize("rows", [0, 2])
def test_no_usable_row(configure, rows):
    config, path = configure("a.fits")
    write(path, Table({n: np.full(rows, np.nan) for n in stars()}))
    fail(config, "no row has a right ascension and a declination between -90 and 90 degrees")
