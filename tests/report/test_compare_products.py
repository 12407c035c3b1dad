"""Known changes of made-up products are found again, and what is missing or damaged is named."""

import json
import shutil
from html.parser import HTMLParser

import numpy as np
import pytest

from pipeline.errors import ProductError
from pipeline.io.columns import CURVES, DARK, DEEP_CATALOGUE, RESPONSE, STRIP_CATALOGUE
from pipeline.io.images import write_image
from pipeline.io.provenance import Provenance
from pipeline.io.solution import write_json
from pipeline.io.tables import read_table, read_table_meta, write_table
from pipeline.report.compare import compare_products

NIGHT, STRIP, TILE = "2031-05-06", "s01", "r00100n0010"
N_COLUMNS, N_STARS, N_LINES = 256, 1500, 8000
PROVENANCE = Provenance(code="test", python="3", libraries=(), config="ab" * 32)
BOTH_FORMATS = ("parquet", "fits")
TABLES = ("strips", "columns", "magnitudes", "lines", "responses", "stacks")


def fill(schema, given, n):
    """Columns of a schema, zero where nothing is given."""
    kinds = {"str": "U1"}
    return {c.name: given.get(c.name, np.zeros(n, dtype=kinds.get(c.kind, c.kind))) for c in schema}


def save(stem, schema, table, formats=BOTH_FORMATS, **meta):
    write_table(
        stem, table, schema=schema, meta=meta, provenance=PROVENANCE, formats=formats
    )  # fmt: skip


def stars():
    rng = np.random.default_rng(31)
    n = N_STARS
    mag = rng.uniform(13.0, 21.0, n)
    error = 0.002 * 10 ** (0.25 * (mag - 13.0))
    table = {
        "source_id": np.arange(n),
        # On a grid with jitter, so that no two are closer than a pair may be.
        "line": np.arange(n) * 5.0 + 20.0 + rng.uniform(-0.5, 0.5, n),
        "column": rng.uniform(0, N_COLUMNS - 1, n),
        "line_err": 0.3 * error, "column_err": 0.3 * error,
        "ra": np.arange(n) * 1e-3, "dec": rng.uniform(-60.1, -59.9, n),
        "ref_mag_offset": 0.004 * rng.normal(size=n),
        "ref_index": np.arange(n), "flags": np.where(np.arange(n) % 20 == 0, 4, 0),
    }  # fmt: skip
    for kind in ("psf", "aperture", "total"):
        table |= {f"mag_{kind}": mag + error * rng.normal(size=n), f"mag_{kind}_err": error}
    return fill(STRIP_CATALOGUE, table, n)


def write_strip(root, table, **meta):
    folder = root / "strips" / NIGHT / STRIP
    save(folder / "catalogue", STRIP_CATALOGUE, table, CHIP="1", FILTER="r", **meta)


def write_curves(root, zero_point):
    line = np.arange(128.0, N_LINES, 256.0)
    given = {"line": line, "zero_point": zero_point(line),
             "zero_point_err": np.full(line.size, 0.001)}  # fmt: skip
    save(root / "strips" / NIGHT / STRIP / "curves", CURVES, fill(CURVES, given, line.size))


def write_response(root, response, mask=None):
    column = np.arange(N_COLUMNS)
    given = {"column": column, "response": response, "response_err": np.full(N_COLUMNS, 2e-4),
             "mask": np.zeros(N_COLUMNS, dtype=int) if mask is None else mask}  # fmt: skip
    stem = root / "calibration" / NIGHT / "1_r_response"
    save(stem, RESPONSE, fill(RESPONSE, given, N_COLUMNS))


def write_stack(root, noise, fwhm=3.0, correlation=1.3):
    rng = np.random.default_rng(7)
    shape = (200, 200)
    images = {
        "FLUX": (noise * rng.normal(size=shape)).astype(np.float32),
        "VARIANCE": np.full(shape, noise**2, dtype=np.float32),
        "EPOCHS": np.full(shape, 3, dtype=np.int16),
        "MASK": np.zeros(shape, dtype=np.uint16),
    }
    header = {"NEPOCHS": 3, "FWHM": fwhm, "NOISECOR": correlation}
    write_image(
        root / "stacks" / f"{TILE}_r.fits", images, header=header, image_header={}, units={},
        provenance=PROVENANCE, compress_masks=False,
    )  # fmt: skip


def write_deep(root, error):
    rng = np.random.default_rng(8)
    n = 60
    given = {"source_id": np.arange(n), "tile": np.full(n, TILE),
             "flux_psf": np.full(n, 8.0 * error),
             "flux_psf_err": error * rng.uniform(0.95, 1.05, n)}  # fmt: skip
    save(root / "deep" / "r", DEEP_CATALOGUE, fill(DEEP_CATALOGUE, given, n))


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """A folder of products; tests copy it."""
    root = tmp_path_factory.mktemp("base")
    write_strip(root, stars())
    write_curves(root, lambda line: 28.0 + 0.0 * line)
    column = np.arange(N_COLUMNS)
    write_response(root, 1.0 + 0.02 * np.sin(column / 9.0))
    dark = fill(DARK, {"column": column}, N_COLUMNS)
    save(root / "calibration" / NIGHT / "1_dark", DARK, dark)
    solution = {"rms_line": 0.04, "rms_column": 0.05, "zero_point_rms": None}
    write_json(root / "strips" / NIGHT / STRIP / "solution.json", solution)
    write_stack(root, 0.4)
    write_deep(root, 2.0)
    return root


@pytest.fixture
def sides(base, tmp_path):
    shutil.copytree(base, tmp_path / "new")
    return base, tmp_path / "new", tmp_path / "out"


class Page(HTMLParser):
    """Pictures, links and texts of a page; fails where tags are not closed in order."""

    def __init__(self, text):
        super().__init__()
        self.open, self.images, self.links, self.text, self.ids = [], [], [], "", []
        self.details = 0
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.ids += [attrs["id"]] if "id" in attrs else []
        if tag == "img":
            self.images.append(attrs)
        if tag == "a":
            self.links.append(attrs["href"])
        self.details += tag == "details"
        if tag not in {"img", "meta", "br"}:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def read_page(comparison):
    page = Page(comparison.page.read_text(encoding="utf-8"))
    folder = comparison.page.parent
    for image in page.images:
        assert (folder / image["src"]).read_bytes().startswith(b"\x89PNG")
        assert len(image["alt"]) > 20
    for link in page.links:
        assert link[1:] in page.ids if link.startswith("#") else (folder / link).is_file()
    assert page.details >= len(page.images)  # a table behind every picture
    return page


def test_identical_products_are_said_to_be_so(sides):
    old, new, out = sides
    found = compare_products(old, new, out)
    assert found.identical
    assert found.problems == ()
    assert found.strips["n_kept"] == N_STARS
    assert found.strips["n_lost"] == found.strips["n_gained"] == 0
    assert found.strips["mag_psf_change"] == found.strips["trend_change"] == 0.0
    assert found.stacks["identical"].all()
    assert "Nothing changed." in read_page(found).text


@pytest.mark.parametrize(
    "touch",
    [
        "strips/2031-05-06/s01/catalogue", "strips/2031-05-06/s01/curves",
        "calibration/2031-05-06/1_dark", "calibration/2031-05-06/1_r_response", "deep/r",
    ],
)  # fmt: skip
def test_one_other_value_is_not_identical(sides, touch):
    old, new, out = sides
    table = read_table(new / f"{touch}.parquet")
    schema = {"catalogue": STRIP_CATALOGUE, "curves": CURVES, "1_dark": DARK,
              "1_r_response": RESPONSE, "r": DEEP_CATALOGUE}[touch.split("/")[-1]]  # fmt: skip
    last = [c.name for c in schema if c.kind == "float64" and c.name in table][-1]
    table[last][3] = np.nextafter(table[last][3], 9.0)
    save(new / touch, schema, table)
    found = compare_products(old, new, out)
    assert not found.identical
    assert "Nothing changed." not in read_page(found).text


def test_a_tilted_response_is_recovered_within_its_error(sides):
    """Response times 1 + 1e-3 x: stars get fainter by 1.0857 mmag from first to last column."""
    old, new, out = sides
    rng = np.random.default_rng(5)
    column = np.arange(N_COLUMNS)
    response = read_table(old / "calibration" / NIGHT / "1_r_response.fits")["response"]
    mask = np.zeros(N_COLUMNS, dtype=int)
    mask[100] = 1
    write_response(new, response * (1.0 + 1e-3 * (column / N_COLUMNS - 0.5)), mask)
    table = read_table(old / "strips" / NIGHT / STRIP / "catalogue.parquet")
    tilt = 2.5 * np.log10(1.0 + 1e-3 * (table["column"] / N_COLUMNS - 0.5))
    for kind in ("psf", "aperture", "total"):
        shift = tilt + 0.05 * table[f"mag_{kind}_err"] * rng.normal(size=N_STARS)
        table[f"mag_{kind}"] = table[f"mag_{kind}"] + shift
        if kind == "psf":
            table["ref_mag_offset"] = table["ref_mag_offset"] + shift
    write_strip(new, table)
    found = compare_products(old, new, out)

    row = {k: v[0] for k, v in found.strips.items()}
    expected = 2.5 / np.log(10.0) * 1e-3
    assert row["n_trend"] > 300
    assert row["trend_change_err"] < 1e-4
    assert abs(row["trend_change"] - expected) < 3.5 * row["trend_change_err"]
    assert row["trend_new_err"] > 5 * row["trend_change_err"]  # the same stars on both sides
    assert abs(row["trend_new"] - row["trend_old"] - expected) < row["trend_new_err"]
    bins = found.columns
    middle = 0.5 * (bins["column_from"] + bins["column_to"] - 1.0)
    truth = 1e-3 * (middle / N_COLUMNS - 0.5)
    # One masked column moves the median of its bin by half a column, 2e-6.
    np.testing.assert_allclose(bins["response_ratio"] - 1.0, truth, atol=2.1e-6)
    for kind in ("psf", "aperture", "total"):
        pull = bins[f"mag_{kind}_change"] - 2.5 / np.log(10.0) * truth
        pull /= bins[f"mag_{kind}_change_err"]
        assert np.abs(pull).max() < 4.0
        assert 0.5 < np.sqrt(np.mean(pull**2)) < 1.5  # the errors are neither too small nor large
    assert np.isnan(found.responses["response_ratio"][100])
    assert np.isfinite(found.responses["response_ratio"]).sum() == N_COLUMNS - 1
    page = read_page(found)
    assert len(page.images) == 6


def test_shifts_of_positions_zero_points_and_errors_are_recovered(sides):
    old, new, out = sides
    rng = np.random.default_rng(6)
    table = read_table(old / "strips" / NIGHT / STRIP / "catalogue.parquet")
    table["line"] = table["line"] + 0.03 + 0.01 * rng.normal(size=N_STARS)
    table["column"] = table["column"] - 0.02 + 0.01 * rng.normal(size=N_STARS)
    table["ra"] = table["ra"] + (0.2 / 3600.0) / np.cos(np.deg2rad(table["dec"]))
    table["ra"][0] += 360.0  # across the origin
    table["mag_psf_err"] = 0.9 * table["mag_psf_err"]
    table["mag_total"][:7] += 5.0 * table["mag_total_err"][:7]
    table["mag_total"][7:20] += 2.5 * table["mag_total_err"][7:20]
    table["flags"][1] = 2
    kept = rng.permutation(np.arange(12, N_STARS))  # another order, and twelve lost
    table = {k: v[kept] for k, v in table.items()}
    extra = {k: v[:3].copy() for k, v in table.items()}
    extra["line"] = np.array([7900.0, 7920.0, 7940.0])
    table = {k: np.concatenate([v, extra[k]]) for k, v in table.items()}
    write_strip(new, table)
    write_curves(new, lambda line: 28.002 + 1e-3 * np.sin(line / 500.0))
    row = {k: v[0] for k, v in compare_products(old, new, out).strips.items()}
    assert (row["n_old"], row["n_new"]) == (N_STARS, N_STARS - 9)
    assert (row["n_kept"], row["n_lost"], row["n_gained"]) == (N_STARS - 12, 12, 3)
    assert row["n_flags_changed"] == 0
    for name, truth in (("line", 0.03), ("column", -0.02)):
        assert abs(row[f"{name}_change"] - truth) < 4 * row[f"{name}_change_err"] < 2e-3
        assert row[f"{name}_spread"] == pytest.approx(0.01, rel=0.1)
    assert row["ra_change"] == pytest.approx(0.2, abs=1e-6)
    assert row["dec_change"] == 0.0
    assert row["mag_psf_error_ratio"] == pytest.approx(0.9)
    assert row["mag_aperture_error_ratio"] == 1.0
    assert row["n_changed_total"] == 0  # those beyond 3 sigma are among the lost
    assert row["zero_point_change"] == pytest.approx(0.002, abs=5e-4)
    assert 0.0025 < row["zero_point_most"] <= 0.003


def test_magnitudes_that_changed_by_more_than_their_errors_are_counted(sides):
    old, new, out = sides
    table = read_table(old / "strips" / NIGHT / STRIP / "catalogue.parquet")
    table["mag_psf"][:7] += 3.1 * table["mag_psf_err"][:7]
    table["mag_psf"][7:20] -= 2.9 * table["mag_psf_err"][7:20]
    table["mag_total"][30] = np.nan
    table["flags"][40] |= 1
    write_strip(new, table)
    found = compare_products(old, new, out)
    assert found.strips["n_changed_psf"] == 7
    assert found.strips["n_changed_total"] == found.strips["n_changed_aperture"] == 0
    assert found.strips["n_flags_changed"] == 1
    assert found.magnitudes["n_kept"].sum() == N_STARS


def test_depth_and_noise_of_stacks(sides):
    """A fifth less noise is 2.5 lg 1.25 = 0.2423 mag deeper, in variance, pixels and catalogue."""
    old, new, out = sides
    write_stack(new, 0.32)
    write_deep(new, 1.6)
    row = {k: v[0] for k, v in compare_products(old, new, out).stacks.items()}
    assert row["tile"] == TILE
    assert row["filter"] == "r"
    assert row["noise_ratio"] == pytest.approx(0.8, abs=1e-6)
    assert row["spread_ratio"] == pytest.approx(0.8, abs=1e-6)
    assert row["depth_change"] == pytest.approx(0.24228, abs=1e-5)
    assert row["depth_deep_change"] == pytest.approx(0.24228, abs=1e-5)
    # 4 pi sigma^2 pixels of a Gaussian of 3 px full width (King 1983): 20.40.
    assert row["depth_old"] == pytest.approx(
        25.0 - 2.5 * np.log10(5 * 0.4 * np.sqrt(20.396) * 1.3), abs=1e-4
    )
    assert row["depth_deep_old"] == pytest.approx(25.0 - 2.5 * np.log10(10.0), abs=0.01)


def test_what_is_missing_or_damaged_is_named_and_the_rest_goes_on(sides):
    old, new, out = sides
    strip = new / "strips" / NIGHT / STRIP
    for kind in BOTH_FORMATS:
        (strip / f"curves.{kind}").unlink()
    (strip / "solution.json").write_text("{ broken", encoding="utf-8")
    stack = new / "stacks" / f"{TILE}_r.fits"
    stack.write_bytes(stack.read_bytes()[:20000])
    deep = new / "deep" / "r.parquet"
    deep.write_bytes(deep.read_bytes()[:-200])  # the FITS copy takes its place
    (new / "strips" / NIGHT / "s02").mkdir()
    found = compare_products(old, new, out)
    text = " ".join(found.problems)
    for name in (
        "new: strips/2031-05-06/s01/curves", "new: strips/2031-05-06/s01/solution.json",
        f"new: stacks/{TILE}_r.fits", "new: deep/r.parquet",
        "old: strips/2031-05-06/s02/catalogue", "new: strips/2031-05-06/s02/catalogue",
    ):  # fmt: skip
        assert name in text
    assert not found.identical
    assert found.strips["n_kept"] == N_STARS
    assert np.isnan(found.strips["zero_point_change"]).all()
    assert found.strips["rms_line_old"] == 0.04
    assert np.isnan(found.strips["rms_line_new"]).all()
    assert np.isfinite(found.stacks["depth_old"]).all()
    assert np.isnan(found.stacks["depth_new"]).all()
    assert found.stacks["n_deep_new"] == 60
    page = read_page(found)
    for problem in found.problems:
        assert problem in page.text


def test_damage_of_either_side_is_told_apart(sides):
    old, new, out = sides
    for kind in BOTH_FORMATS:
        (new / "strips" / NIGHT / STRIP / f"catalogue.{kind}").write_bytes(b"nothing")
    for a, b, name in ((old, new, "new"), (new, old, "old")):
        found = compare_products(a, b, out / name)
        assert {p.split(":")[0] for p in found.problems} == {name}
        assert len(found.strips["strip"]) == 0
        assert len(found.stacks["tile"]) == 1
        read_page(found)


def test_a_folder_without_products_is_refused(base, tmp_path):
    with pytest.raises(ProductError, match="no products here to compare"):
        compare_products(base, tmp_path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_tables_are_the_same_in_both_formats_with_units_and_provenance(sides):
    old, new, out = sides
    found = compare_products(old, new, out)
    for name in TABLES:
        pair = [read_table(out / "comparison" / f"{name}.{kind}") for kind in BOTH_FORMATS]
        for column, values in pair[0].items():
            np.testing.assert_array_equal(values, pair[1][column])
            np.testing.assert_array_equal(values, getattr(found, name)[column])
    meta, provenance = read_table_meta(out / "comparison" / "strips.parquet")
    assert meta["RADIUS"] == 2.0
    names = [n for n, _ in provenance.inputs]
    assert f"old/strips/{NIGHT}/{STRIP}/catalogue.parquet" in names
    assert f"new/stacks/{TILE}_r.fits" in names


def test_an_older_comparison_is_replaced_and_nothing_half_written_is_left(sides):
    old, new, out = sides
    folder = out / "comparison"
    folder.mkdir(parents=True)
    (folder / "gone-trend.png").write_bytes(b"old")
    (folder / "index.html").write_text("old", encoding="utf-8")
    before = {p: p.read_bytes() for root in (old, new) for p in root.rglob("*") if p.is_file()}
    compare_products(old, new, out)
    compare_products(old, new, out)
    left = {p.name for p in folder.iterdir()}
    assert "gone-trend.png" not in left
    assert not [n for n in left if n.endswith(".partial")]
    assert {f"{n}.{k}" for n in TABLES for k in BOTH_FORMATS} < left
    after = {p: p.read_bytes() for root in (old, new) for p in root.rglob("*") if p.is_file()}
    assert after == before


def test_vectors_of_other_chips_or_many_nights_are_drawn(sides):
    """Beyond six vectors a map takes the place of curves."""
    old, new, out = sides
    for day in range(10, 17):
        for root in (old, new):
            shutil.copytree(root / "calibration" / NIGHT, root / "calibration" / f"2031-05-{day}")
    try:
        found = compare_products(old, new, out)
    finally:
        for day in range(10, 17):
            shutil.rmtree(old / "calibration" / f"2031-05-{day}")
    assert len(found.responses["column"]) == 8 * N_COLUMNS
    read_page(found)


def test_the_provenance_of_a_solution_does_not_count(sides):
    old, new, out = sides
    path = new / "strips" / NIGHT / STRIP / "solution.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(content | {"provenance": {"code": "other"}}), encoding="utf-8")
    assert compare_products(old, new, out).identical
