"""The order of a run: nights to catalogues, catalogues to tiles, tiles to stacks.

Nothing here touches a pixel: every step is a task that a runner calls, and what a task cannot do
is named and left out while the rest goes on.
"""

import logging
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import Config
from pipeline.errors import DriftloomError, RawError, ReferenceCatalogueError
from pipeline.geometry.apparent import apply_proper_motion
from pipeline.geometry.match import References
from pipeline.graph import Outcome, Runner, Task
from pipeline.io.ledger import Ledger
from pipeline.io.provenance import Provenance, checksum_raw, make_provenance
from pipeline.io.raw import find_strips
from pipeline.io.reference import ReferenceCatalogue, read_reference
from pipeline.io.runlock import hold_lock
from pipeline.stages.colstats import ColumnSummary, concatenate, settle_overscan
from pipeline.stages.detect import Detections
from pipeline.stages.quick import BrightStars, concatenate_bright_stars
from pipeline.stages.trails import concatenate_significance, find_trails
from pipeline.strip import Strip
from pipeline.tasks.calibrated import write_calibrated
from pipeline.tasks.catalogue import StripResult
from pipeline.tasks.deep import TieStars
from pipeline.tasks.finish import finish_strip
from pipeline.tasks.first_look import FirstLook, look_at_strip, refer_to
from pipeline.tasks.measure import concatenate_measurements, measure_block, neighbour_reach
from pipeline.tasks.night import NightVectors, make_vectors
from pipeline.tasks.night_products import write_night_vectors
from pipeline.tasks.options import StageOptions, make_options
from pipeline.tasks.point_spread import Spread, fit_point_spread, join_detections
from pipeline.tasks.search import BlockFind, search_block
from pipeline.tasks.stacks import StackInput, merge_deep, stack_tile
from pipeline.tasks.summary import summarise_block
from pipeline.tasks.tiles import EpochTile, make_grid, plan_tiles, rectify_tile

__all__ = ["ReductionSummary", "StripRow", "reduce_folder"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class StripRow:
    """One line of the summary of a run."""

    night: str
    strip: str
    n_lines: int
    n_sources: int
    rms_line: float
    rms_column: float
    zero_point: float


@dataclass
class ReductionSummary:
    """What a run did.

    Parameters
    ----------
    strips : list of StripRow
        Strips with a catalogue.
    n_tiles, n_stacks, n_deep : int
        Epoch tiles, stacks, and sources of the deep catalogue.
    problems : list of str
        What the reader should know; nothing was lost.
    failures : list of str
        What could not be done, and why.
    """

    strips: list[StripRow] = field(default_factory=list)
    n_tiles: int = 0
    n_stacks: int = 0
    n_deep: int = 0
    problems: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)

    def note(self, *texts: str) -> None:
        """Add problems, each once."""
        for text in texts:
            if text not in self.problems:
                self.problems.append(text)


def blocks_of(strip: Strip, block_lines: int) -> list[tuple[int, int]]:
    """Half-open ranges of lines that cut a strip into blocks.

    Parameters
    ----------
    strip : Strip
        The strip.
    block_lines : int
        A multiple of 256.

    Returns
    -------
    list of (int, int)
    """
    return [
        (start, min(start + block_lines, strip.n_lines))
        for start in range(0, strip.n_lines, block_lines)
    ]


class _Run:
    """One run: what every step needs, and what it leaves behind."""

    def __init__(self, config: Config, out: Path, runner: Runner, ledger: Ledger) -> None:
        self.config = config
        self.options: StageOptions = make_options(config)
        self.out = out
        self.runner = runner
        self.ledger = ledger
        self.summary = ReductionSummary()
        self._catalogues: dict[str, ReferenceCatalogue | None] = {}
        self._provenances: dict[str, Provenance] = {}

    def record(self, outcome: Outcome, *, night: str, strip: str, step: str, block: Any) -> bool:
        """Write an outcome to the ledger; say whether there is a value."""
        self.ledger.record(
            night=night, strip=strip, step=step, block=block,
            state="ok" if outcome.ok else "failed", reason=outcome.error or "",
            seconds=outcome.seconds,
        )  # fmt: skip
        if not outcome.ok:
            where = f", lines {block[0]} to {block[1]}" if isinstance(block, tuple) else ""
            self.summary.failures.append(f"{strip or night}: {step}{where}: {outcome.error}")
        return outcome.ok

    def catalogue(self, filter_name: str) -> ReferenceCatalogue | None:
        """Reference catalogue of a filter, read once; None, with a note, where there is none."""
        if filter_name not in self._catalogues:
            try:
                self._catalogues[filter_name] = read_reference(self.config, filter_name)
            except ReferenceCatalogueError as error:
                self._catalogues[filter_name] = None
                self.summary.failures.append(
                    f"filter {filter_name}: {error}. Strips get catalogues in pixels only"
                )
        return self._catalogues[filter_name]

    def stars_of(self, epochs: list[EpochTile]) -> TieStars | None:
        """Reference stars of a tile, at the middle of its epochs."""
        catalogue = self.catalogue(epochs[0].filter)
        if catalogue is None:
            return None
        mjd = float(np.mean([e.mjd_mean for e in epochs]))
        ra, dec = apply_proper_motion(
            catalogue.ra, catalogue.dec, catalogue.pm_ra, catalogue.pm_dec,
            epoch=self.config.reference.options.epoch, mjd=mjd,
        )  # fmt: skip
        tile = epochs[0].tile
        x, y = tile.sky_to_pixel(ra, dec)
        inside = (x >= 0) & (x < tile.size) & (y >= 0) & (y < tile.size)
        inside &= np.isfinite(catalogue.mag)
        return TieStars(x[inside], y[inside], catalogue.mag[inside], catalogue.mag_err[inside])

    def run_blocks(
        self,
        function: Any,
        strips: list[Strip],
        arguments: Any,
        *,
        label: str,
        step: str,
        common: tuple[Any, ...] = (),
    ) -> dict[str, list[Any]]:
        """Run a task over all blocks of strips; values in order of line, by strip.

        ``arguments(strip, start, stop)`` gives a task's arguments. A block that failed is named
        and left out.
        """  # fmt: skip
        size = self.config.detection.block_lines
        where = {
            f"{s.name}:{start}": (s, start, stop)
            for s in strips
            for start, stop in blocks_of(s, size)
        }
        tasks = [Task(key, arguments(*at)) for key, at in where.items()]
        outcomes = self.runner.run(function, tasks, label=label, common=common)
        values: dict[str, list[Any]] = {s.name: [] for s in strips}
        for key, (strip, start, stop) in where.items():
            outcome = outcomes[key]
            if self.record(
                outcome, night=strip.night, strip=strip.name, step=step, block=(start, stop)
            ):
                values[strip.name].append(outcome.value)
        return values

    def _checksum(self, path: str) -> str:
        """What identifies a raw file; one that went away meanwhile must not stop the others."""
        try:
            return checksum_raw(
                path, hdu=self.config.raw.hdu, full=self.config.products.full_checksums
            )
        except DriftloomError:
            return "unreadable"

    def provenance(self, strip: Strip) -> Provenance:
        """Where a strip's products come from; its files are looked at once."""
        key = f"{strip.night}/{strip.name}"
        if key not in self._provenances:
            inputs = [(Path(s.path).name, self._checksum(s.path)) for s in strip.segments]
            calibration = (
                f"{strip.night}/{strip.chip}_dark",
                f"{strip.night}/{strip.chip}_{strip.filter}_response",
            )
            self._provenances[key] = make_provenance(
                self.config, inputs=inputs, calibration=calibration
            )
        return self._provenances[key]


def _summarise(
    run: _Run, strips: list[Strip]
) -> tuple[dict[str, ColumnSummary], dict[str, BrightStars]]:
    """Column summaries and bright stars of all strips of a night."""
    values = run.run_blocks(
        summarise_block, strips, lambda s, a, b: (s, a, b), label="column summaries",
        step="summary", common=(run.config.raw, run.options),
    )  # fmt: skip
    summaries: dict[str, ColumnSummary] = {}
    stars: dict[str, BrightStars] = {}
    for strip in strips:
        parts = values[strip.name]
        if len(parts) < len(blocks_of(strip, run.config.detection.block_lines)):
            run.summary.failures.append(
                f"{strip.name}: left out, since not all of its blocks could be read"
            )
            continue
        if n_lost := sum(p.n_lost for p in parts):
            text = f"{n_lost} lines cannot be read; is a file damaged? --verbose says which"
            run.ledger.record(
                night=strip.night, strip=strip.name, step="read", state="failed", reason=text
            )
            run.summary.failures.append(f"{strip.name}: {text}")
        try:
            whole = concatenate([p.summary for p in parts])
            summaries[strip.name] = settle_overscan(
                whole, strip.amplifiers, options=run.options.summary.overscan
            )
        except (DriftloomError, ValueError) as error:
            run.summary.failures.append(f"{strip.name}: column summary: {error}")
            continue
        if strip.shutter_open:
            stars[strip.name] = concatenate_bright_stars([p.stars for p in parts])
    return summaries, stars


def _calibrate(
    run: _Run, night: str, strips: list[Strip], summaries: dict[str, ColumnSummary]
) -> dict[str, NightVectors]:
    """Column vectors by strip name."""
    vectors: dict[str, NightVectors] = {}
    groups: dict[tuple[str, str], list[Strip]] = {}
    for strip in strips:
        if strip.shutter_open and strip.name in summaries:
            groups.setdefault((strip.chip, strip.filter), []).append(strip)
    for (chip, filter_name), science in groups.items():
        closed = [s for s in strips if not s.shutter_open and s.chip == chip]
        try:
            made = make_vectors(science, closed, summaries, options=run.options)
        except (DriftloomError, ValueError) as error:
            run.summary.failures.append(
                f"night {night}, chip {chip}, filter {filter_name}: no column vectors: {error}"
            )
            continue
        run.summary.note(*(f"night {night}: {text}" for text in made.problems))
        write_night_vectors(
            run.config, run.out, science[0], made, provenance=run.provenance(science[0])
        )
        vectors.update({s.name: made for s in science})
    return vectors


def _look(
    run: _Run,
    strips: list[Strip],
    summaries: dict[str, ColumnSummary],
    stars: dict[str, BrightStars],
    vectors: dict[str, NightVectors],
) -> tuple[dict[str, FirstLook], dict[str, References | None]]:
    """First geometry and point spread of the strips with column vectors; their reference stars."""
    known: dict[str, References | None] = {}
    tasks = []
    for strip in strips:
        if strip.name not in vectors:
            continue
        catalogue = run.catalogue(strip.filter)
        known[strip.name] = (
            None
            if catalogue is None
            else refer_to(catalogue, strip, epoch=run.config.reference.options.epoch)
        )
        tasks.append(
            Task(
                strip.name,
                (strip, summaries[strip.name], stars[strip.name], vectors[strip.name],
                 known[strip.name]),
            )
        )  # fmt: skip
    outcomes = run.runner.run(
        look_at_strip, tasks, label="first geometry", common=(run.config, run.options)
    )
    looks: dict[str, FirstLook] = {}
    for strip in strips:
        if strip.name in outcomes and run.record(
            outcomes[strip.name], night=strip.night, strip=strip.name, step="first geometry",
            block=None,
        ):  # fmt: skip
            looks[strip.name] = outcomes[strip.name].value
            run.summary.note(*(f"{strip.name}: {p}" for p in looks[strip.name].problems))
    return looks, known


def _search(
    run: _Run, strips: list[Strip], looks: dict[str, FirstLook]
) -> dict[str, list[BlockFind]]:
    """Sources of all blocks."""
    return run.run_blocks(
        search_block, strips,
        lambda s, a, b: (looks[s.name].context, looks[s.name].psf, looks[s.name].fwhm, a, b),
        label="search", step="search",
    )  # fmt: skip


def _fit_spreads(
    run: _Run,
    strips: list[Strip],
    looks: dict[str, FirstLook],
    known: dict[str, References | None],
    finds: dict[str, list[BlockFind]],
) -> dict[str, Spread]:
    """Point spread of each strip."""
    tasks = [
        Task(s.name, (looks[s.name], known[s.name], finds[s.name]))
        for s in strips
        if finds.get(s.name)
    ]
    outcomes = run.runner.run(fit_point_spread, tasks, label="point spread", common=(run.options,))
    spreads: dict[str, Spread] = {}
    for strip in strips:
        if strip.name in outcomes and run.record(
            outcomes[strip.name], night=strip.night, strip=strip.name, step="point spread",
            block=None,
        ):  # fmt: skip
            spreads[strip.name] = outcomes[strip.name].value
            run.summary.note(*(f"{strip.name}: {p}" for p in spreads[strip.name].problems))
    return spreads


def _near(found: Detections, start: int, stop: int, *, reach: int) -> Detections:
    """Sources of a block and those within reach of it."""
    return found.select((found.line >= start - reach) & (found.line < stop + reach))


def _reduce_night(run: _Run, night: str, strips: list[Strip]) -> list[StripResult]:
    """Catalogues of one night."""
    summaries, stars = _summarise(run, strips)
    vectors = _calibrate(run, night, strips, summaries)
    science = [s for s in strips if s.name in vectors]
    looks, known = _look(run, science, summaries, stars, vectors)
    science = [s for s in science if s.name in looks]
    finds = _search(run, science, looks)
    spreads = _fit_spreads(run, science, looks, known, finds)
    science = [s for s in science if s.name in spreads]
    found = {s.name: join_detections(finds[s.name]) for s in science}
    contexts = {}
    for strip in science:
        binned = concatenate_significance([f.significance for f in finds[strip.name]])
        trails = find_trails(binned, options=run.options.trails)
        contexts[strip.name] = replace(looks[strip.name].context, trails=trails)
        if trails:
            run.summary.note(f"{strip.name}: {len(trails)} trail(s) masked")
    measured = run.run_blocks(
        measure_block, science,
        lambda s, a, b: (
            contexts[s.name], spreads[s.name], _near(
                found[s.name], a, b, reach=neighbour_reach(run.options, spreads[s.name])
            ), a, b,
        ),
        label="measure", step="measure",
    )  # fmt: skip
    tasks = []
    for strip in science:
        if not measured[strip.name]:
            continue
        masked = np.sum([f.masked for f in finds[strip.name]], axis=0)
        tasks.append(
            Task(
                strip.name,
                (contexts[strip.name], concatenate_measurements(measured[strip.name]),
                 spreads[strip.name],
                 run.catalogue(strip.filter), known[strip.name], summaries[strip.name], masked,
                 run.provenance(strip)),
            )
        )  # fmt: skip
    outcomes = run.runner.run(
        finish_strip, tasks, label="catalogues", common=(run.config, str(run.out))
    )
    results = [
        outcomes[s.name].value
        for s in science
        if s.name in outcomes
        and run.record(outcomes[s.name], night=night, strip=s.name, step="catalogue", block=None)
    ]
    if run.config.products.calibrated_strips:
        run.run_blocks(
            write_calibrated, science,
            lambda s, a, b: (contexts[s.name], run.provenance(s), a, b),
            label="calibrated strips", step="calibrated strip",
            common=(run.config, str(run.out)),
        )  # fmt: skip
    return results


def _rectify(run: _Run, results: list[StripResult]) -> list[EpochTile]:
    """Epoch tiles of all strips that have positions and magnitudes."""
    grid = make_grid(run.config)
    wanted = run.config.tiles.filters
    tasks: list[Task] = []
    owner: dict[str, StripResult] = {}
    for result in results:
        strip = result.strip
        if result.solution is None or result.zero_point is None:
            run.summary.note(f"{strip.name}: no tiles, since it has no positions or magnitudes")
            continue
        if wanted and strip.filter not in wanted:
            continue
        # Tiles that lie beside each other across the scan share their lines: one task reads them.
        columns: dict[int, list[Any]] = {}
        for tile in plan_tiles(grid, result):
            line, _ = result.solution.sky_to_strip(
                np.array([tile.ra_deg]), np.array([tile.dec_deg])
            )
            columns.setdefault(int(line[0] // (tile.size / 2)), []).append(tile)
        for number, tiles in sorted(columns.items()):
            key = f"{strip.name}:{number}"
            owner[key] = result
            tasks.append(Task(key, (result, run.provenance(strip), tiles)))
    outcomes = run.runner.run(rectify_tile, tasks, label="tiles", common=(run.config, str(run.out)))
    made: list[EpochTile] = []
    for key, result in owner.items():
        if run.record(
            outcomes[key], night=result.strip.night, strip=result.strip.name, step="tiles",
            block=None,
        ):  # fmt: skip
            made.extend(outcomes[key].value)
    return made


def _stack(run: _Run, tiles: list[EpochTile]) -> None:
    """Stacks and the deep catalogue."""
    groups: dict[tuple[str, str], list[EpochTile]] = {}
    for tile in sorted(tiles, key=lambda t: (t.tile.name, t.filter, t.night, t.strip)):
        groups.setdefault((tile.tile.name, tile.filter), []).append(tile)
    tasks = [
        Task(
            f"{name}_{filter_name}",
            (StackInput(name, filter_name, tuple(members), run.stars_of(members)),),
        )
        for (name, filter_name), members in groups.items()
        if len(members) >= run.config.stack.min_epochs
    ]
    outcomes = run.runner.run(
        stack_tile, tasks, label="stacks",
        common=(run.config, run.options, str(run.out), make_grid(run.config)),
    )  # fmt: skip
    parts = []
    for key, outcome in outcomes.items():
        if run.record(outcome, night="", strip=key, step="stack", block=None):
            parts.append(outcome.value)
            run.summary.note(*outcome.value.problems)
    run.summary.n_stacks = len(parts)
    run.summary.n_deep = merge_deep(run.config, run.out, parts, tiles)


def reduce_folder(
    config: Config, raw: Path, out: Path, *, runner: Runner, nights: list[str] | None = None
) -> ReductionSummary:
    """Reduce all nights of a folder of raw segments.

    Parameters
    ----------
    config : Config
        The observatory.
    raw : Path
        Folder of segments.
    out : Path
        Folder of products; made when missing.
    runner : Runner
        Runs the tasks.
    nights : list of str, optional
        Only these nights (YYYY-MM-DD).

    Returns
    -------
    ReductionSummary

    Raises
    ------
    RawError
        If there is nothing to reduce.
    ConfigError
        If the sky cannot be cut into the tiles asked for.
    ProductError
        If another run holds the folder, or it cannot be written.
    """
    from pipeline.report.page import write_report

    begin = time.perf_counter()
    inventory = find_strips(raw, config)
    strips = [s for s in inventory.strips if not nights or s.night in nights]
    have = ", ".join(sorted({s.night for s in inventory.strips}))
    if not any(s.shutter_open for s in strips):
        reasons = "; ".join(f"{p}: {r}" for p, r in inventory.rejected[:5])
        asked = f", asked for: {', '.join(nights)}" if nights else ""
        msg = (
            f"{raw}: no strip with the shutter open to reduce (nights found: {have or 'none'}"
            f"{asked}). Check raw.pattern, raw.keywords.shutter and the nights asked for"
            + (f". Rejected: {reasons}" if reasons else "")
        )
        raise RawError(msg)
    make_grid(config)  # a mistake in it shows before a night's work, not after
    out.mkdir(parents=True, exist_ok=True)
    with hold_lock(out):
        run = _Run(config, out, runner, Ledger(out / "ledger.jsonl"))
        for path, reason in inventory.rejected:
            run.ledger.record(
                night="", strip=path, step="check", state="failed", reason=reason
            )  # fmt: skip
            run.summary.failures.append(f"{path}: {reason}")
        for night in sorted(set(nights or ()) - {s.night for s in strips}):
            run.summary.failures.append(f"night {night}: not in {raw} (nights found: {have})")
        results: list[StripResult] = []
        for strip in strips:
            run.summary.note(*(f"{strip.name}: {p}" for p in strip.problems))
        for night in sorted({s.night for s in strips}):
            results += _reduce_night(run, night, [s for s in strips if s.night == night])
        tiles = _rectify(run, results)
        run.summary.n_tiles = len(tiles)
        _stack(run, tiles)
        for result in results:
            run.summary.note(*(f"{result.strip.name}: {p}" for p in result.problems))
            run.summary.strips.append(
                StripRow(
                    result.strip.night, result.strip.name, result.strip.n_lines, result.n_sources,
                    result.rms_line, result.rms_column,
                    result.zero_point.clear_level if result.zero_point is not None else np.nan,
                )
            )  # fmt: skip
        write_report(out)
        run.ledger.record(
            night="", strip="", step="run", state="ok", seconds=time.perf_counter() - begin
        )
    return run.summary
