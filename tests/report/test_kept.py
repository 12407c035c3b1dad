"""The report draws what changed, and only that; what it shows does not depend on what it kept."""

import json
import os
import pickle
import shutil

import numpy as np
import pytest
from matplotlib.figure import Figure

from pipeline.attempt import attempt
from pipeline.errors import ProductError
from pipeline.report import kept, page
from pipeline.report.kept import Made, Piece, digest_values, make_pieces, remove_others
from pipeline.report.page import write_report
from pipeline.runners import InlineRunner

pytestmark = pytest.mark.xdist_group("reduction")
NIGHT, OTHER = "2025-03-02", "2025-03-03"
STRIP = f"{NIGHT}_s01"
KINDS = ("conditions", "map", "moments", "residuals")


class CountingRunner(InlineRunner):
    """Runs in this process what came through pickle, last first, and remembers the keys."""

    def __init__(self):
        super().__init__()
        self.keys, self.labels = [], set()

    def run(self, function, tasks, *, label, common=(), on_outcome=None):
        assert on_outcome is None
        self.keys += [task.key for task in tasks]
        self.labels.add(label)
        calls = [travel((function, t.key, (*common, *t.arguments()))) for t in tasks]
        return {o.key: travel(o) for o in (attempt(*call) for call in reversed(calls))}


def travel(value):
    return pickle.loads(pickle.dumps(value))  # noqa: S301 - written a moment ago


def files_of(report):
    """Content of pages and pictures, not of what is kept."""
    return {
        path.relative_to(report).as_posix(): path.read_bytes()
        for path in sorted(report.rglob("*"))
        if path.is_file() and path.parts[len(report.parts)] != "parts"
    }


def redraw(products):
    runner = CountingRunner()
    write_report(products, runner=runner)
    return sorted(runner.keys)


@pytest.fixture
def products(reduced, tmp_path):
    """Links to the products of a reduction and to its report."""
    write_report(reduced[0])
    return shutil.copytree(reduced[0], tmp_path / "products", copy_function=os.link)


def replace_text(path, text):
    """A file of another content under the same name; the links of old stay as they are."""
    path.unlink()
    path.write_text(text)


def test_nothing_is_drawn_where_nothing_changed(products):
    before = files_of(products / "report")
    assert any(name.endswith("-map-dark.png") for name in before)
    assert redraw(products) == []
    assert files_of(products / "report") == before


def test_tasks_of_a_runner_make_the_same_report(products):
    """All is drawn anew, elsewhere and in another order."""
    before = files_of(products / "report")
    shutil.rmtree(products / "report")
    runner = CountingRunner()
    write_report(products, runner=runner)
    assert runner.labels == {"report"}
    assert {k.split("/")[0] for k in runner.keys} == {
        "deep", "epochs", "pages", "pictures", "stacks", "strips"
    }  # fmt: skip
    assert files_of(products / "report") == before


def test_a_changed_strip_is_drawn_alone(products):
    path = products / "strips" / NIGHT / STRIP / "solution.json"
    solution = json.loads(path.read_text())
    replace_text(path, json.dumps({**solution, "remarks": ["Somebody said something."]}))
    before = files_of(products / "report")
    # A remark is on no picture that several strips share.
    assert redraw(products) == [
        f"pages/{NIGHT}", *(f"pictures/{NIGHT}/{STRIP}-{kind}" for kind in KINDS),
        f"strips/{NIGHT}/{STRIP}",
    ]  # fmt: skip
    now = files_of(products / "report")
    changed = {name for name in now if now[name] != before.get(name)}
    assert changed == {f"{NIGHT}/index.html", f"{NIGHT}/numbers.json"}
    assert b"Somebody said something." in now[f"{NIGHT}/index.html"]
    assert now.keys() == before.keys()


def test_of_a_removed_strip_nothing_stays(products):
    shutil.rmtree(products / "strips" / NIGHT / STRIP)
    keys = redraw(products)
    assert f"pages/{NIGHT}" in keys
    assert not [key for key in keys if key.startswith("strips/")]
    report = products / "report"
    assert not [name for name in files_of(report) if STRIP in name]
    assert not (report / "parts" / "strips" / NIGHT).exists()
    assert (report / "parts" / "strips" / OTHER).exists()
    assert "No strip of this night has a catalogue." in (report / NIGHT / "index.html").read_text()
    assert not (report / NIGHT / "depth.png").exists()


def test_what_is_damaged_or_missing_is_drawn_again(products):
    report = products / "report"
    before = files_of(report)
    replace_text(report / "parts" / "strips" / NIGHT / f"{STRIP}.json", '{"made_from": ')
    replace_text(report / "parts" / "pages" / f"{NIGHT}.json", "[]")
    (report / OTHER / f"{OTHER}_s01-map-dark.png").unlink()
    replace_text(report / "trends.png", "torn")
    replace_text(report / "index.html", "torn")
    assert redraw(products) == [
        f"pages/{NIGHT}", f"pictures/{OTHER}/{OTHER}_s01-map", "pictures/trends",
        f"strips/{NIGHT}/{STRIP}",
    ]  # fmt: skip
    assert files_of(report) == before
    assert redraw(products) == []


def test_a_picture_is_drawn_again_for_what_it_shows_alone(products):
    path = products / "strips" / NIGHT / STRIP / "summary.fits"
    shutil.copy(path, path.with_suffix(".copy"))
    path.with_suffix(".copy").replace(path)  # the same at another time
    before = files_of(products / "report")
    assert redraw(products) == [f"pictures/{NIGHT}/{STRIP}-map", f"strips/{NIGHT}/{STRIP}"]
    assert files_of(products / "report") == before


def test_a_damaged_product_is_named_and_the_rest_is_shown(products):
    path = products / "strips" / NIGHT / STRIP / "curves.parquet"
    replace_text(path, "torn")
    with pytest.raises(ProductError, match=r"curves\.parquet: cannot be read"):
        write_report(products)
    report = products / "report"
    for place in (report / "index.html", report / NIGHT / "index.html"):
        assert "curves.parquet: cannot be read" in place.read_text()
    numbers = json.loads((report / NIGHT / "numbers.json").read_text())
    assert "failed steps" in [f["fault"] for f in numbers["findings"]]
    assert not list((report / NIGHT).glob(f"{STRIP}-*.png"))
    assert list((report / OTHER).glob(f"{OTHER}_s01-*.png"))
    # It is tried again, and told again, until it is mended.
    with pytest.raises(ProductError, match=STRIP):
        write_report(products)


@pytest.mark.parametrize("kind", ["response", "dark"])
def test_a_damaged_column_vector_is_named_and_all_else_is_shown(products, kind):
    path = next((products / "calibration" / NIGHT).glob(f"*_{kind}.fits"))
    content = path.read_bytes()
    path.unlink()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(ProductError, match=rf"{kind}\.fits: cannot be read"):
        write_report(products)
    report = products / "report"
    for place in (report / "index.html", report / NIGHT / "index.html"):
        assert f"{kind}.fits: cannot be read" in place.read_text()
    assert "cannot be read" not in (report / OTHER / "index.html").read_text()
    # The other kind of vector, all strips and the other nights' pages are there.
    assert (report / NIGHT / "calibration.png").exists()
    assert list((report / NIGHT).glob(f"{STRIP}-*.png"))
    numbers = json.loads((report / NIGHT / "numbers.json").read_text())
    assert [f["fault"] for f in numbers["findings"]].count("failed steps") == 1
    path.write_bytes(content)
    assert write_report(products).exists()


def test_pictures_of_pages_before_pieces_were_kept_go_and_others_stay(products):
    report = products / "report"
    shutil.rmtree(report / "parts")
    numbers = json.loads((report / NIGHT / "numbers.json").read_text())
    names = [*numbers["pictures"], "gone.png", "../index.html"]
    replace_text(report / NIGHT / "numbers.json", json.dumps({**numbers, "pictures": names}))
    for name in ("gone.png", "mine.png"):
        (report / NIGHT / name).write_text("picture")
    page._remove_unshown(report, page._list_shown(report))
    assert (report / NIGHT / "gone.png").exists()  # the page still shows it
    before = page._list_shown(report)
    replace_text(report / NIGHT / "numbers.json", json.dumps(numbers))
    page._remove_unshown(report, before)
    assert not (report / NIGHT / "gone.png").exists()
    assert (report / NIGHT / "mine.png").exists()
    assert set(files_of(report)) >= {f"{NIGHT}/{name}" for name in numbers["pictures"]}
    assert (report / "index.html").exists()


def make_bars(names):
    return Made({"names": names}, {name: Figure(figsize=(1, 1)) for name in names})


def bars(*names):
    return Piece("some/bars", NIGHT, make_bars, (names,), values=digest_values(names))


def test_pictures_that_a_piece_no_longer_has_go_and_others_stay(tmp_path):
    def make(piece):
        contents, failures = make_pieces(tmp_path, [piece], InlineRunner())
        assert failures == {}
        assert contents == {"some/bars": {"names": [*piece.args[0]]}}
        return sorted(p.stem for p in folder.glob("*.png") if not p.stem.endswith("-dark"))

    folder = tmp_path / NIGHT
    folder.mkdir()
    (folder / "mine.png").write_bytes(b"somebody else's")
    assert make(bars("one", "two")) == ["mine", "one", "two"]
    assert make(bars("two")) == ["mine", "two"]
    remove_others(tmp_path, ["some/bars"])
    assert (folder / "two-dark.png").exists()
    (tmp_path / "parts" / "torn.json").write_text("{")
    remove_others(tmp_path, [])
    assert [p.name for p in folder.iterdir()] == ["mine.png"]
    assert not list((tmp_path / "parts").rglob("*.json"))


def test_another_program_draws_all_anew(tmp_path, monkeypatch):
    piece = bars("one")
    assert make_pieces(tmp_path, [piece], CountingRunner())[1] == {}
    runner = CountingRunner()
    make_pieces(tmp_path, [piece], runner)
    assert runner.keys == []
    monkeypatch.setattr(kept, "digest_drawing", lambda: "another")
    make_pieces(tmp_path, [piece], runner)
    assert runner.keys == ["some/bars"]


def test_digest_tells_values_apart():
    array = np.arange(6.0)
    values = [
        array, array.astype(np.float32), array.reshape(2, 3), array + 1e-16 * (array == 1), [array],
        {"a": array}, {"b": array}, "a", ["a"], ["a", "b"], ["ab"], [["a"], "b"], 1, 1.0, True,
        None, "None", float("nan"), {"a": 1, "b": 2}, {"b": 2, "a": 1},
    ]  # fmt: skip
    same = (0, 3)  # 1 + 1e-16 is 1
    digests = [digest_values(v) for v in values]
    assert digests[same[0]] == digests[same[1]]
    assert len(set(digests)) == len(values) - 1
    assert digest_values(np.float64(1.5)) != digest_values(np.float64(2.5))
    assert digest_values(array[::2]) == digest_values(np.array([0.0, 2.0, 4.0]))
