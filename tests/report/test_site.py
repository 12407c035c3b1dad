"""The report as a site: valid HTML, live links, numbers as shown, colours that can be read."""

import json
import re
from itertools import pairwise
from pathlib import Path

import html5lib
import pytest

import pipeline.report
from pipeline.report.page import write_report
from tests.report.pages import XHTML, check_numbers, text_of

pytestmark = pytest.mark.xdist_group("reduction")

TEMPLATE = Path(pipeline.report.__file__).parent / "templates" / "site.html"


@pytest.fixture(scope="module")
def pages(reduced):
    """Parsed pages by path; parsing raises where the HTML standard sees an error."""
    index = write_report(reduced[0])
    paths = [index, *sorted(index.parent.glob("2*/index.html"))]
    assert len(paths) == 3
    parser = html5lib.HTMLParser(strict=True)
    return {path: parser.parse(path.read_text()) for path in paths}


def test_every_link_and_picture_leads_to_a_file_or_a_part_of_the_page(pages):
    for path, page in pages.items():
        ids = [e.get("id") for e in page.iter() if e.get("id")]
        assert len(ids) == len(set(ids))
        targets = [
            e.get(name)
            for e in page.iter()
            for name in ("href", "src", "srcset")
            if e.get(name) and not e.get(name).startswith("data:")
        ]
        assert len(targets) > 20
        for target in targets:
            assert "://" not in target, f"{path} leads outside: {target}"
            if target.startswith("#"):
                assert target[1:] in ids, f"{path}: {target}"
            else:
                assert (path.parent / target).exists(), f"{path}: {target}"


def test_pictures_have_words_light_and_dark_forms_and_a_table(pages):
    for page in pages.values():
        figures = list(page.iter(f"{XHTML}figure"))
        assert figures
        for figure in figures:
            assert len(figure.find(f".//{XHTML}img").get("alt")) > 10
            assert "dark" in figure.find(f".//{XHTML}source").get("media")
            assert figure.find(f"{XHTML}details//{XHTML}table") is not None


def test_headings_descend_in_order_and_tables_are_labelled(pages):
    for page in pages.values():
        levels = [
            int(e.tag[-1]) for e in page.iter() if re.fullmatch(rf"{re.escape(XHTML)}h[1-6]", e.tag)
        ]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in pairwise(levels))
        for table in page.iter(f"{XHTML}table"):
            assert text_of(table.find(f"{XHTML}caption"))
            assert all(h.get("scope") for h in table.iter(f"{XHTML}th"))


def test_numbers_beside_a_page_are_those_on_it(pages):
    for path, page in pages.items():
        numbers = json.loads((path.parent / "numbers.json").read_text())
        check_numbers(page, numbers)


def test_verdict_stands_before_everything_else(pages):
    for path, page in list(pages.items())[1:]:
        numbers = json.loads((path.parent / "numbers.json").read_text())
        assert numbers["verdict"] in ("good", "usable", "bad")
        body = [e for e in page.iter() if e.get("id")]
        assert body[0].get("id") == "verdict"
        assert text_of(body[0]).lower().startswith(numbers["verdict"])


def luminance(colour):
    """Relative luminance of #rgb or #rrggbb; WCAG 2.2, definition of relative luminance."""
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    shares = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """(L1 + 0.05) / (L2 + 0.05); WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_formula_of_contrast_knows_its_ends():
    assert contrast("#fff", "#000000") == pytest.approx(21.0)  # WCAG 2.2: from 1 to 21
    assert contrast("#777777", "#fff") == pytest.approx(4.48, abs=0.01)  # from memory


def test_every_text_can_be_read_on_light_and_dark_ground():
    schemes = re.findall(r":root \{([^}]*)\}", TEMPLATE.read_text())
    assert len(schemes) == 2
    for scheme in schemes:
        colours = dict(re.findall(r"--(\w+): (#\w+)", scheme))
        for ink in ("ink", "soft", "good", "usable", "bad"):
            for ground in ("paper", "band"):
                assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)  # 1.4.3 (AA)
