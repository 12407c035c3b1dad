"""What the tests of pages read alike: text of an element, and numbers beside a page."""

XHTML = "{http://www.w3.org/1999/xhtml}"


def text_of(element):
    return "".join(element.itertext()).strip()


def check_numbers(page, numbers):
    """Every table of a page is in the JSON beside it, cell by cell, and none besides."""
    told = {t["caption"]: t for s in numbers["sections"] for t in s["tables"]}
    shown = list(page.iter(f"{XHTML}table"))
    assert {text_of(t.find(f"{XHTML}caption")) for t in shown} == set(told)
    for table in shown:
        rows = told[text_of(table.find(f"{XHTML}caption"))]["rows"]
        lines = table.findall(f"{XHTML}tbody/{XHTML}tr")
        assert len(lines) == len(rows)
        for line, row in zip(lines, rows, strict=True):
            for cell, value in zip(line, row, strict=True):
                if value is None:
                    assert text_of(cell) == "–"
                elif isinstance(value, str):
                    assert text_of(cell) == value.strip()
                else:
                    assert float(text_of(cell)) == value
