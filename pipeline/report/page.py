"""The report: a site of pages, one of all nights and one a night, drawn from products."""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, Template

from pipeline.errors import ProductError
from pipeline.flats import read_flats
from pipeline.io.ledger import by_night, read_ledger, still_failed
from pipeline.io.solution import format_json, write_json
from pipeline.report.content import Drawing, Section, pack_section, unpack_section
from pipeline.report.kept import (
    PARTS,
    Made,
    Piece,
    digest_values,
    make_pieces,
    read_kept,
    remove_others,
)
from pipeline.report.night_page import describe_night, find_cells
from pipeline.report.read import observatory_of
from pipeline.report.season_page import deep_piece, describe_season
from pipeline.report.stack_part import describe_stacks, epochs_piece, stack_piece
from pipeline.report.strip_pieces import StripPart, strip_pictures, strip_piece
from pipeline.verdict import Judging, Verdict, judge, read_facts, read_judging

if TYPE_CHECKING:
    from pipeline.runners import Runner

__all__ = ["page_pieces", "write_report"]

_MOST_STACKS = 6
_MOST_TOLD = 5
_NIGHT = re.compile(r"\d{4}-\d{2}-\d{2}")


def write_report(
    out: Path, judging: Judging | None = None, runner: "Runner | None" = None
) -> Path:  # fmt: skip
    """Write pages, pictures and numbers into ``report/`` of a folder of products.

    Only what changed since the last time is read and drawn: strips, stacks, pictures and pages
    are pieces that are kept with what they were made from (`pipeline.report.kept`).

    Parameters
    ----------
    out : Path
        Folder of products.
    judging : Judging, optional
        Limits of the verdicts; those of the last report where absent, or the defaults.
    runner : Runner, optional
        Draws; this process where absent.

    Returns
    -------
    Path
        The page of all nights; each night has its own below.

    Raises
    ------
    ProductError
        If there are no products, or a page cannot be written. If a strip, a stack, a column vector
        or the deep catalogue is damaged, once all pages are written: they name it and show the
        rest.
    """
    from pipeline.runners import InlineRunner

    runner = InlineRunner() if runner is None else runner
    out = Path(out)
    folders = [p.parent for p in sorted(out.glob("strips/*/*/solution.json"))]
    if not folders and not (out / "ledger.jsonl").exists():
        msg = f"{out}: no products here; give the folder that `reduce` wrote"
        raise ProductError(msg)
    report = out / "report"
    report.mkdir(parents=True, exist_ok=True)
    shown_before = _list_shown(report)
    flats = read_flats(out)
    if judging is None:
        judging = read_judging(report / "limits.json")
    write_json(report / "limits.json", judging.to_dict())

    parts, faults = _make_parts(out, folders, runner)
    faults |= flats.faults
    broken = [_tell_fault(key, reason) for key, reason in faults.items()]
    ledger = read_ledger(out / "ledger.jsonl") if (out / "ledger.jsonl").exists() else []
    rows, failed = by_night(ledger), [*still_failed(ledger), *broken]
    stand = by_night(failed)
    nights = sorted({p.parent.name for p in folders} | rows.keys())
    facts = read_facts(out, nights, judging, flats=flats, unreadable=broken)
    verdicts = {night: judge(facts[night], judging.limits) for night in nights}
    name, cells = observatory_of(out), find_cells(out)

    def describe_nights() -> Iterator[Piece]:
        """One night after the other: what a page that stands says need not stay in memory."""
        for night in nights:
            mine = parts.strips.get(night, [])
            for part in mine:
                yield from strip_pictures(out, part)
            sections = describe_night(
                out, night, mine, stand.get(night, ()), rows.get(night, ()), flats, cells
            )
            yield from page_pieces(
                night, f"{name}: night {night}", sections,
                lead=f"{len(mine)} strip(s) reduced.", verdict=verdicts[night],
            )  # fmt: skip

    told = [
        " ".join(["failed:", *(str(row[k]) for k in ("night", "strip", "step") if row.get(k))])
        + f": {row.get('reason', '')}"
        for row in failed
    ]
    season = describe_season(out, parts.strips, verdicts, told, parts.deep)
    drawings = _drawings("", season)
    made, more = make_pieces(report, chain(parts.stacks, drawings, describe_nights()), runner)
    faults |= more
    if parts.strips:
        shown = [made[piece.key] for piece in parts.stacks if piece.key in made]
        season.insert(-1, describe_stacks(out, shown))
    # Needs the numbers of the stacks, and is not worth a worker.
    index = page_pieces(
        "", f"{name}: drift scans reduced", season,
        lead=f"{sum(map(len, parts.strips.values()))} strip(s) of {len(nights)} night(s).",
        verdict=None,
    )[-1]  # fmt: skip
    faults |= make_pieces(report, [index], InlineRunner())[1]
    remove_others(report, {*parts.keys, *made, index.key})
    _remove_unshown(report, shown_before)
    if faults:
        told = [f"{key}: {reason}" for key, reason in faults.items()]
        left = len(told) - _MOST_TOLD
        msg = "; ".join(told[:_MOST_TOLD]) + (f"; and {left} more" if left > 0 else "")
        raise ProductError(msg)
    return report / "index.html"


@dataclass(frozen=True)
class _Parts:
    """What was made of products: strips by night, deep catalogue, and stacks yet to be shown."""

    keys: Collection[str]
    strips: Mapping[str, Sequence[StripPart]]
    deep: Mapping[str, Any] | None
    stacks: Sequence[Piece]


def _make_parts(
    out: Path, folders: Sequence[Path], runner: "Runner"
) -> tuple[_Parts, dict[str, str]]:
    """Parts of all products, and by key why one is missing."""
    strips = [strip_piece(folder) for folder in folders]
    deep = deep_piece(out)
    stacks = {f"epochs/{path.stem}": path for path in sorted(out.glob("stacks/*.fits"))}
    pieces = [*strips, *([] if deep is None else [deep]), *map(epochs_piece, stacks.values())]
    contents, faults = make_pieces(out / "report", pieces, runner)
    nights: dict[str, list[StripPart]] = {}
    for piece in strips:
        if piece.key in contents:
            part = StripPart.from_content(contents[piece.key])
            nights.setdefault(part.night, []).append(part)
    ranked = [(contents[key]["epochs"], path) for key, path in stacks.items() if key in contents]
    best = [
        stack_piece(path, epochs)
        for epochs, path in sorted(ranked, reverse=True)[: _MOST_STACKS if nights else 0]
    ]
    return _Parts(contents.keys(), nights, contents.get("deep"), best), faults


def _tell_fault(key: str, reason: str) -> dict[str, Any]:
    """A product that cannot be shown, as a row that the ledger might have."""
    kind, *names = key.split("/")
    night = names[0] if kind in {"strips", "calibration"} else ""
    strip = names[1] if kind == "strips" else ""
    # Without its column vectors a night is shown, and judged by all else.
    step = "calibration" if kind == "calibration" else "report"
    return {"night": night, "strip": strip, "step": step, "state": "failed", "reason": reason}


def page_pieces(
    night: str, title: str, sections: Sequence[Section], *, lead: str, verdict: Verdict | None
) -> list[Piece]:  # fmt: skip
    """The pictures of a page that are yet to be drawn, and last the page itself.

    Parameters
    ----------
    night : str
        Empty for the page of all nights.
    title, lead : str
    sections : sequence of Section
    verdict : Verdict or None
        Of the night.

    Returns
    -------
    list of Piece
    """
    content = {
        "title": title, "lead": lead, "sections": [pack_section(s) for s in sections],
        "up": "../index.html" if night else None,
    }  # fmt: skip
    values = digest_values(content, None if verdict is None else asdict(verdict))
    page = Piece(f"pages/{night or 'index'}", night, _make_page, (content, verdict), values=values)
    return [*_drawings(night, sections), page]


def _drawings(night: str, sections: Iterable[Section]) -> list[Piece]:
    return [
        Piece(
            "/".join(filter(None, ("pictures", night, picture.name))), night, _make_picture,
            (picture.name, picture.figure),
            values=digest_values(
                picture.figure.function.__name__, picture.figure.args, picture.figure.words
            ),
        )
        for section in sections
        for picture in section.pictures
        if isinstance(picture.figure, Drawing)
    ]  # fmt: skip


def _make_picture(name: str, drawing: Drawing) -> Made:
    return Made(figures={name: drawing.draw()})


@cache
def _template() -> Template:
    return Environment(
        loader=PackageLoader("pipeline.report"), autoescape=True, trim_blocks=True
    ).get_template("site.html")


def _make_page(packed: Mapping[str, Any], verdict: Verdict | None) -> Made:
    """A page and its numbers as files."""
    sections = [unpack_section(s) for s in packed["sections"]]
    pictures = [p for s in sections for p in s.pictures]
    content: dict[str, Any] = {
        "title": packed["title"], "pictures": [name for p in pictures for name in (p.src, p.dark)]
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
    html = _template().render(
        title=packed["title"], lead=packed["lead"], sections=sections, verdict=verdict,
        up=packed["up"],
    )  # fmt: skip
    return Made(texts={"numbers.json": format_json(content), "index.html": html})


def _list_shown(report: Path) -> dict[str, set[str]]:
    """Pictures by folder of pages whose pieces were not kept: an older version wrote them."""
    if (report / PARTS).is_dir():
        return {}
    shown = {}
    for path in (report / "numbers.json", *report.glob("*/numbers.json")):
        folder = "" if path.parent == report else path.parent.name
        if not folder or _NIGHT.fullmatch(folder):
            names = (read_kept(path) or {}).get("pictures")
            shown[folder] = {Path(str(n)).name for n in (names if isinstance(names, list) else ())}
    return shown


def _remove_unshown(report: Path, before: Mapping[str, set[str]]) -> None:
    """Remove what pages of an older version showed and these do not."""
    for folder, names in before.items():
        now = read_kept(report / folder / "numbers.json") or {}
        for name in names - set(now.get("pictures", ())):
            (report / folder / name).unlink(missing_ok=True)
