"""The steps of one night: raw strips to catalogues, in the order that they need each other.

Nothing here touches a pixel: every step is a job that a run does or finds done, and what cannot be
done is named and left out while the rest goes on.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.geometry.match import References
from pipeline.io.summary_files import summary_path, write_summary
from pipeline.made import Job, Made, StripMade, Work, strip_slot
from pipeline.recipes import pixel_facts, time_facts
from pipeline.run import Run
from pipeline.stages.colstats import ColumnSummary, concatenate, settle_overscan
from pipeline.stages.detect import Detections
from pipeline.stages.quick import BrightStars, concatenate_bright_stars
from pipeline.strip import Strip
from pipeline.tasks.calibrated import write_calibrated
from pipeline.tasks.catalogue import StripResult
from pipeline.tasks.context import StripContext
from pipeline.tasks.finish import finish_strip, strip_folder
from pipeline.tasks.first_guess import refer_to
from pipeline.tasks.first_look import FirstLook, look_at_strip
from pipeline.tasks.measure import concatenate_measurements, measure_block, neighbour_reach
from pipeline.tasks.night import NightVectors, make_vectors
from pipeline.tasks.night_products import write_night_vectors
from pipeline.tasks.point_spread import fit_point_spread, join_detections
from pipeline.tasks.search import (
    BlockFind,
    find_strip_trails,
    leave_maps,
    maps_of,
    search_block,
)
from pipeline.tasks.season_vectors import choose_entries, choose_vectors
from pipeline.tasks.summary import BlockSummary, summarise_block

__all__ = ["reduce_night"]

Stars = BrightStars | None


def _settle(run: Run, strip: Strip, blocks: StripMade) -> tuple[ColumnSummary, Stars]:
    """Column summary and bright stars of a whole strip; the summary is written as well."""
    parts: list[BlockSummary] = blocks.values
    summary = settle_overscan(
        concatenate([p.summary for p in parts]), strip.amplifiers,
        options=run.options.summary.overscan,
    )  # fmt: skip
    write_summary(
        summary_path(run.out, strip), summary, strip, clip=run.options.summary.clip,
        provenance=replace(run.provenance(strip), calibration=()),
    )  # fmt: skip
    blocks.release()
    stars = None
    if strip.shutter_open:
        stars = concatenate_bright_stars([p.stars for p in parts if p.stars is not None])
    return summary, stars


def _summarise(run: Run, strips: list[Strip]) -> dict[str, Made]:
    """Column summaries and bright stars of all strips of a night."""
    blocks = run.fulfil_blocks(
        "summary", summarise_block, strips, lambda s: (pixel_facts(s), run.raw(s)),
        lambda s, a, b: (s, a, b), label="column summaries",
        common=(run.config.raw, run.options),
    )  # fmt: skip
    made: dict[str, Made] = {}
    for strip in strips:
        mine = blocks[strip.name]
        if mine.n_missing:
            run.summary.failures.append(
                f"{strip.name}: left out, since not all of its blocks could be read"
            )
            continue
        if n_lost := 0 if run.frozen else run.lost_lines(strip):
            text = f"{n_lost} lines cannot be read; is a file damaged? --verbose says which"
            run.note_made(strip.night, strip.name, "read", "failed", reason=text)
            run.summary.failures.append(f"{strip.name}: {text}")
        job = Job(
            slot=strip_slot(strip, "column summary"),
            recipe=run.recipe(
                "column summary", pixel_facts(strip), time_facts(strip),
                {"upstream summary": mine.key},
            ),
            arguments=lambda s=strip, b=mine: (run, s, b),  # type: ignore[misc]
            night=strip.night, strip=strip.name, complaint=f"{strip.name}: column summary",
        )  # fmt: skip
        work = Work(
            "column summary", _settle, [job], label="column summary",
            products=lambda _, s=strip: [summary_path(run.out, s)],  # type: ignore[misc]
        )  # fmt: skip
        found = run.fulfil(work, here=True)
        made |= dict.fromkeys([strip.name], found[job.slot]) if job.slot in found else {}
    return made


def _make_vectors(
    run: Run, science: list[Strip], closed: list[Strip], have: Mapping[str, Made]
) -> NightVectors:
    """Column vectors of strips of one chip and filter, made or chosen; written as well."""
    summaries = {s.name: have[s.name].value[0] for s in (*science, *closed)}
    if run.config.calibration.vectors == "season":
        made, _ = choose_vectors(run.config, run.home, science, summaries, run.options)
    else:
        made = make_vectors(science, closed, summaries, options=run.options)
    write_night_vectors(
        run.config, run.out, science[0], made, provenance=run.provenance(science[0])
    )
    return made


def _choose(run: Run, strip: Strip) -> tuple[dict[str, str], tuple[str, ...]]:
    """Parts of the recipe that name the calibrations of a strip, and their names."""
    names: tuple[str, ...]
    if run.config.calibration.vectors != "season":
        names = (
            f"{strip.night}/{strip.chip}_dark",
            f"{strip.night}/{strip.chip}_{strip.filter}_response",
        )
        return {}, names
    try:
        _, *entries = choose_entries(run.config, run.home, strip.night, strip.chip, strip.filter)
    except CalibrationError as error:
        return {"calibrations": f"undecided: {error}"}, ()
    names = tuple(f"{e.id} {e.checksum}" for e in entries)
    parts = {
        f"{e.kind} vector": f"{e.id} {e.checksum} {'; '.join(e.describe_for(strip.night))}"
        for e in entries
    }  # fmt: skip
    return parts, names


def _calibrate(
    run: Run, night: str, strips: list[Strip], summaries: Mapping[str, Made]
) -> dict[str, Made]:
    """Column vectors by strip name."""
    vectors: dict[str, Made] = {}
    groups: dict[tuple[str, str], list[Strip]] = {}
    for strip in strips:
        if strip.shutter_open and strip.name in summaries:
            groups.setdefault((strip.chip, strip.filter), []).append(strip)
    last = dict(groups.keys())
    for (chip, filter_name), science in groups.items():
        chosen, names = _choose(run, science[0])
        for strip in science:
            run.provenance(strip, names)
        closed = [
            s for s in strips if not s.shutter_open and s.chip == chip and s.name in summaries
        ] * (run.config.calibration.vectors == "night")
        upstream = {
            f"upstream column summary: {s.name} {'open' if s.shutter_open else 'closed'}":
            summaries[s.name].key
            for s in (*science, *closed)
        }  # fmt: skip
        # The dark vector is that of the chip: the last filter of the night writes it for good.
        files = [f"{chip}_{filter_name}_response"]
        files += [f"{chip}_dark"] * (last[chip] == filter_name)
        folder = run.out / "calibration" / night
        job = Job(
            slot=f"{night}/vectors_{chip}_{filter_name.replace('/', '_')}",
            recipe=run.recipe("column vectors", time_facts(science[0]), chosen, upstream),
            arguments=lambda s=science, c=closed: (run, s, c, summaries),  # type: ignore[misc]
            night=night, strip="",
            complaint=f"night {night}, chip {chip}, filter {filter_name}: no column vectors",
        )  # fmt: skip
        work = Work(
            "column vectors", _make_vectors, [job], label="column vectors",
            facts=lambda v: {"problems": list(v.problems)},
            products=lambda _, names=files, at=folder: [  # type: ignore[misc]
                at / f"{name}.{kind}" for name in names for kind in ("fits", "parquet")
            ],
        )  # fmt: skip
        made = run.fulfil(work, here=True)
        if job.slot in made:
            problems = made[job.slot].facts.get("problems", ())
            run.summary.note(*(f"night {night}: {text}" for text in problems))
            vectors.update({s.name: made[job.slot] for s in science})
    for summary in summaries.values():
        summary.release()
    return vectors


def _bind(run: Run, context: StripContext, strip: Strip) -> StripContext:
    """A context as this run has it: files may have moved, and options changed that did not count.

    What an option changes is in the recipes of the steps that use it.
    """
    return replace(context, strip=strip, raw=run.config.raw, options=run.options)


@dataclass
class _Night:
    """What the steps of a night hand on, by name of strip; read only where it is needed."""

    run: Run
    strips: dict[str, Strip]
    summaries: dict[str, Made]
    vectors: dict[str, Made]

    def __post_init__(self) -> None:
        self.looks: dict[str, Made] = {}
        self.finds: dict[str, StripMade] = {}
        self.trails: dict[str, Made] = {}
        self.spreads: dict[str, Made] = {}
        self.measured: dict[str, StripMade] = {}
        self._known: dict[str, References | None] = {}
        self._contexts: dict[str, StripContext] = {}
        self._found: dict[str, tuple[Detections, NDArray[np.int64]]] = {}

    def known(self, strip: Strip) -> References | None:
        """Reference stars at a strip's date."""
        if strip.name not in self._known:
            catalogue = self.run.catalogue(strip.filter)
            epoch = self.run.config.reference.options.epoch
            self._known[strip.name] = (
                None if catalogue is None else refer_to(catalogue, strip, epoch=epoch)
            )
        return self._known[strip.name]

    def context(self, strip: Strip) -> StripContext:
        """Calibrations of a strip, trails included."""
        if strip.name not in self._contexts:
            look: FirstLook = self.looks[strip.name].value
            self._contexts[strip.name] = replace(look.context, trails=self.trails[strip.name].value)
        return self._contexts[strip.name]

    def found(self, strip: Strip) -> tuple[Detections, NDArray[np.int64]]:
        """Sources of a strip, and its pixels with each bit of the mask."""
        if strip.name not in self._found:
            finds: list[BlockFind] = self.finds[strip.name].values
            # Kept nowhere here: maps and stamps are large.
            self.finds[strip.name].release()
            masked = np.sum([f.masked for f in finds], axis=0)
            self._found[strip.name] = join_detections(finds), masked
        return self._found[strip.name]

    def searched(self) -> list[Strip]:
        """Strips with blocks that were searched."""
        return [self.strips[name] for name, made in self.finds.items() if made.blocks]

    def near(self, strip: Strip, start: int, stop: int) -> Detections:
        """Sources of a block and those within reach of it."""
        found = self.found(strip)[0]
        reach = neighbour_reach(self.run.options, self.spreads[strip.name].value)
        return found.select((found.line >= start - reach) & (found.line < stop + reach))

    def job(
        self, strip: Strip, step: str, arguments: Callable[[], tuple[Any, ...]],
        *parts: Mapping[str, str],
    ) -> Job:  # fmt: skip
        """Job of a step that is about a whole strip."""
        return Job(
            slot=strip_slot(strip, step), recipe=self.run.recipe(step, *parts),
            arguments=arguments, night=strip.night, strip=strip.name,
        )  # fmt: skip


def _by_strip(made: Mapping[str, Made], jobs: Sequence[Job]) -> dict[str, Made]:
    return {j.strip: made[j.slot] for j in jobs if j.slot in made}


def _look(night: _Night) -> None:
    """First geometry and point spread of the strips with column vectors."""
    run = night.run

    def unpack(look: FirstLook) -> FirstLook:
        strip = night.strips[look.context.strip.name]
        return replace(look, context=_bind(run, look.context, strip))

    jobs = [
        night.job(
            s, "first geometry",
            lambda s=s: (  # type: ignore[misc]
                s, night.summaries[s.name].later(), night.vectors[s.name].value,
                night.known(s),
            ),
            time_facts(s), run.reference(),
            {
                "upstream column summary": night.summaries[s.name].key,
                "upstream column vectors": night.vectors[s.name].key,
            },
        )
        for s in night.strips.values()
        if s.name in night.vectors
    ]  # fmt: skip
    for job in jobs:
        run.catalogue(night.strips[job.strip].filter)  # its absence is to be told in every run
    work = Work(
        "first geometry", look_at_strip, jobs, label="first geometry",
        common=(run.config, run.options), unpack=unpack,
        facts=lambda v: {"problems": list(v.problems)},
    )  # fmt: skip
    made = run.fulfil(work)
    night.looks = _by_strip(made, jobs)
    run.note_problems(night.looks)


def _use_finds(night: _Night) -> None:
    """Point spread and trails of each strip, of what its blocks hold."""
    run = night.run
    strips = night.searched()
    upstream = {s.name: {"upstream search": night.finds[s.name].key} for s in strips}
    spreads = Work(
        "point spread", fit_point_spread,
        [
            night.job(
                s, "point spread",
                lambda s=s: (  # type: ignore[misc]
                    night.looks[s.name].value, night.known(s),
                    night.finds[s.name].later(leave_maps),
                ),
                upstream[s.name],
            )
            for s in strips
        ],
        label="point spread", common=(run.options,), facts=lambda v: {"problems": list(v.problems)},
    )  # fmt: skip
    trails = Work(
        "trails", find_strip_trails,
        [
            night.job(
                s, "trails",
                lambda s=s: (night.finds[s.name].later(maps_of),),  # type: ignore[misc]
                upstream[s.name],
            )
            for s in strips
        ],
        label="trails", common=(run.options.trails,),
    )  # fmt: skip
    made = run.fulfil_together([spreads, trails])
    night.spreads, night.trails = (
        _by_strip(m, work.jobs) for m, work in zip(made, (spreads, trails), strict=True)
    )
    run.note_problems(night.spreads)


def _result_facts(result: StripResult) -> dict[str, Any]:
    zero = result.zero_point.clear_level if result.zero_point is not None else np.nan
    problems = list(result.problems)
    if result.context.trails:
        problems.insert(0, f"{len(result.context.trails)} trail(s) masked")
    return {
        "row": [result.n_sources, result.rms_line, result.rms_column, float(zero)],
        "placed": result.solution is not None and result.zero_point is not None,
        "problems": problems,
        "losses": list(result.losses),
    }


def _finish(night: _Night) -> dict[str, Made]:
    """Catalogues of a night."""
    run = night.run

    def unpack(result: StripResult) -> StripResult:
        strip = night.strips[result.strip.name]
        return replace(result, strip=strip, context=_bind(run, result.context, strip))

    def arguments(s: Strip) -> tuple[Any, ...]:
        return (
            night.context(s), night.measured[s.name].later(concatenate_measurements),
            night.spreads[s.name].value, run.catalogue(s.filter),
            night.known(s), night.found(s)[1], run.provenance(s),
        )  # fmt: skip

    def products(result: StripResult) -> list[Path]:
        formats = run.config.products.catalogue_formats
        other = {f".{kind}" for kind in ("parquet", "fits")} - {f".{kind}" for kind in formats}
        folder = strip_folder(run.out, result.strip.night, result.strip.name)
        return sorted(
            p for p in folder.iterdir()
            if not p.name.startswith("calibrated-") and not p.name.endswith(".partial")
            and not (p.stem in {"catalogue", "curves"} and p.suffix in other)
        )  # fmt: skip

    jobs = [
        night.job(
            s, "catalogue", lambda s=s: arguments(s),  # type: ignore[misc]
            {
                "upstream measure": night.measured[s.name].key,
                "upstream point spread": night.spreads[s.name].key,
                "upstream search": night.finds[s.name].key,
                "upstream trails": night.trails[s.name].key,
            },
        )
        for s in night.strips.values()
        if s.name in night.measured and night.measured[s.name].blocks
    ]  # fmt: skip
    work = Work(
        "catalogue", finish_strip, jobs, label="catalogues", common=(run.config, str(run.out)),
        unpack=unpack, facts=_result_facts, products=products,
    )  # fmt: skip
    made = run.fulfil(work)
    return _by_strip(made, jobs)


def reduce_night(run: Run, date: str, strips: list[Strip]) -> list[tuple[Strip, Made]]:
    """Catalogues of one night.

    Parameters
    ----------
    run : Run
        The run; its summary is told.
    date : str
        Of the night.
    strips : list of Strip
        All of the night, those with the shutter closed too.

    Returns
    -------
    list of (Strip, Made)
        Strips that came to a catalogue, each with its `StripResult`.
    """
    summaries = _summarise(run, strips)
    night = _Night(
        run, {s.name: s for s in strips}, summaries, _calibrate(run, date, strips, summaries)
    )
    _look(night)
    science = [s for s in strips if s.name in night.looks]
    night.finds = run.fulfil_blocks(
        "search", search_block, science,
        lambda s: ({"upstream first geometry": night.looks[s.name].key}, run.raw(s)),
        lambda s, a, b: (
            (look := night.looks[s.name].value).context, look.psf, look.fwhm, a, b
        ),
        label="search",
    )  # fmt: skip
    _use_finds(night)
    science = [s for s in science if s.name in night.spreads and s.name in night.trails]
    night.measured = run.fulfil_blocks(
        "measure", measure_block, science,
        lambda s: (
            {"upstream point spread": night.spreads[s.name].key,
             "upstream search": night.finds[s.name].key,
             "upstream trails": night.trails[s.name].key},
            run.raw(s),
        ),
        lambda s, a, b: (night.context(s), night.spreads[s.name].value, night.near(s, a, b), a, b),
        label="measure",
    )  # fmt: skip
    results = _finish(night)
    if run.config.products.calibrated_strips:
        run.fulfil_blocks(
            "calibrated strip", write_calibrated, science,
            lambda s: (
                {"upstream search": night.finds[s.name].key,
                 "upstream trails": night.trails[s.name].key},
                time_facts(s), run.raw(s),
            ),
            lambda s, a, b: (night.context(s), run.provenance(s), a, b),
            label="calibrated strips", common=(run.config, str(run.out)),
            products=lambda path: [Path(path)], pack=lambda _: None,
        )  # fmt: skip
    return [(s, results[s.name]) for s in strips if s.name in results]
