"""The page of a quick look: one file that needs no other, valid, and true to its numbers."""

import base64
import json

import html5lib
import pytest

from pipeline.config import load_config
from pipeline.quicklook import take_quicklook
from tests.report.pages import XHTML, check_numbers, text_of

pytestmark = pytest.mark.xdist_group("reduction")

SECTIONS = {"overview", "preview", "course", "moments", "response", "about"}
PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def made(small, tmp_path_factory):
    """Parsed page, which fails where the HTML standard sees an error, its numbers and the look."""
    out = tmp_path_factory.mktemp("page")
    config = load_config(small / "observatory.toml")
    look, path = take_quicklook(config, small / "raw" / "2025-03-02_s01_0001.fits", out)
    page = html5lib.HTMLParser(strict=True).parse(path.read_text())
    return page, json.loads((out / "numbers.json").read_text()), look


def test_nothing_leads_out_of_the_page_but_its_numbers(made):
    page, _, _ = made
    ids = {e.get("id") for e in page.iter() if e.get("id")}
    assert ids >= SECTIONS
    for element in page.iter():
        assert element.tag != f"{XHTML}script"
        for name in ("href", "src", "srcset"):
            target = element.get(name)
            if target is None or target == "numbers.json" or target.startswith("data:"):
                continue
            assert target.startswith("#"), target
            assert target[1:] in ids


def test_every_picture_has_two_forms_words_units_and_a_table(made):
    page, _, _ = made
    figures = list(page.iter(f"{XHTML}figure"))
    assert len(figures) == 5
    for figure in figures:
        image, source = figure.find(f".//{XHTML}img"), figure.find(f".//{XHTML}source")
        forms = [image.get("src"), source.get("srcset")]
        for form in forms:
            head, data = form.split(",")
            assert head == "data:image/png;base64"
            assert base64.b64decode(data, validate=True).startswith(PNG)
        assert forms[0] != forms[1]
        assert "dark" in source.get("media")
        assert len(image.get("alt")) > 20
        table = figure.find(f"{XHTML}details//{XHTML}table")
        units = [text_of(e) for e in table.iter(f"{XHTML}span")]
        assert len(table.findall(f"{XHTML}tbody/{XHTML}tr")) > 0
        assert units


def test_numbers_beside_the_page_are_those_on_it(made):
    page, numbers, look = made
    check_numbers(page, numbers)
    readings = {r["name"]: r for r in numbers["readings"]}
    for reading in look.readings:
        assert readings[reading.name]["value"] == pytest.approx(reading.value, nan_ok=True)
        assert readings[reading.name]["unit"] == reading.unit
    assert numbers["strip"]["line_period_s"] == look.line_period
    assert "refresh" not in {e.get("http-equiv") for e in page.iter()}
