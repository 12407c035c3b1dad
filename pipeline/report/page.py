"""The report: a site of pages, one of all nights and one a night, drawn from products."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, Template

from pipeline.errors import ProductError
from pipeline.flats import read_flats
from pipeline.io.atomic import write_text
from pipeline.io.ledger import read_ledger, still_failed
from pipeline.io.solution import read_json, write_json
from pipeline.report.content import Section
from pipeline.report.ground import save_both
from pipeline.report.night_page import describe_night
from pipeline.report.read import observatory_of, read_strips
from pipeline.report.season_page import describe_season
from pipeline.verdict import Judging, Verdict, judge, read_facts, read_judging

__all__ = ["write_report"]


def write_report(out: Path, judging: Judging | None = None) -> Path:
    """Write pages, pictures and numbers into ``report/`` of a folder of products.

    Parameters
    ----------
    out : Path
        Folder of products.
    judging : Judging, optional
        Limits of the verdicts; those of the last report where absent, or the defaults.

    Returns
    -------
    Path
        The page of all nights; each night has its own below.

    Raises
    ------
    ProductError
        If there are no products, one is damaged, or a page cannot be written.
    """
    out = Path(out)
    strips = read_strips(out)
    if not strips and not (out / "ledger.jsonl").exists():
        msg = f"{out}: no products here; give the folder that `reduce` wrote"
        raise ProductError(msg)
    folder = out / "report"
    folder.mkdir(parents=True, exist_ok=True)
    ledger = read_ledger(out / "ledger.jsonl") if (out / "ledger.jsonl").exists() else []
    failed = still_failed(ledger)
    template = Environment(
        loader=PackageLoader("pipeline.report"), autoescape=True, trim_blocks=True
    ).get_template("site.html")
    name = observatory_of(out)
    nights = sorted({s.night for s in strips} | {str(r["night"]) for r in ledger if r.get("night")})
    if judging is None:
        judging = read_judging(folder / "limits.json")
    write_json(folder / "limits.json", judging.to_dict())
    flats = read_flats(out)
    facts = read_facts(out, nights, judging, flats=flats)
    verdicts = {night: judge(facts[night], judging.limits) for night in nights}
    for night in nights:
        mine = [s for s in strips if s.night == night]
        sections = describe_night(
            out, night, mine, [r for r in failed if r.get("night") == night],
            [r for r in ledger if r.get("night") == night], flats,
        )  # fmt: skip
        _write(
            folder / night, template, f"{name}: night {night}", sections,
            lead=f"{len(mine)} strip(s) reduced.", verdict=verdicts[night],
        )  # fmt: skip
    told = [
        " ".join(["failed:", *(str(row[k]) for k in ("night", "strip", "step") if row.get(k))])
        + f": {row.get('reason', '')}"
        for row in failed
    ]
    return _write(
        folder, template, f"{name}: drift scans reduced",
        describe_season(out, strips, verdicts, told),
        lead=f"{len(strips)} strip(s) of {len(nights)} night(s).", verdict=None,
    )  # fmt: skip


def _write(
    folder: Path, template: Template, title: str, sections: Sequence[Section], *, lead: str,
    verdict: Verdict | None,
) -> Path:  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    before = _pictures_of(folder / "numbers.json")
    pictures = [p for s in sections for p in s.pictures]
    for picture in pictures:
        save_both(picture.figure, folder, picture.name)
    content: dict[str, Any] = {
        "title": title, "pictures": [name for p in pictures for name in (p.src, p.dark)]
    }  # fmt: skip
    if verdict is not None:
        content["verdict"] = verdict.word
        content["findings"] = [asdict(f) for f in verdict.findings]
        content["unjudged"] = list(verdict.unjudged)
    content["sections"] = [
        {
            "id": s.id,
            "title": s.title,
            "notes": s.notes,
            "tables": [t.as_json() for t in (*s.tables, *(p.grid for p in s.pictures))],
        }
        for s in sections
    ]
    write_json(folder / "numbers.json", content)
    html = template.render(
        title=title, lead=lead, sections=sections, verdict=verdict,
        up=None if verdict is None else "../index.html",
    )  # fmt: skip
    write_text(folder / "index.html", html)
    # What the page before showed and this one does not: of strips or stacks that are gone.
    for name in before - set(content["pictures"]):
        (folder / name).unlink(missing_ok=True)
    return folder / "index.html"


def _pictures_of(path: Path) -> set[str]:
    """Pictures that a page wrote, by name only; none where there was no page."""
    try:
        names = read_json(path).get("pictures", []) if path.exists() else []
    except ProductError:
        return set()  # a torn one is written anew
    return {Path(str(name)).name for name in names}
