"""One run over a folder of products: does what is missing, and takes the rest as it stands.

A job is a task with the slot where its outcome is kept and the recipe that it must have. With a
frozen store nothing is done: the same steps then only tell what would be done, and why.
"""

import hashlib
import logging
import os
import pickle
import socket
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.attempt import Outcome, Task
from pipeline.config import Config
from pipeline.errors import DiskFullError, ProductError, ReferenceCatalogueError, Stopped
from pipeline.io.atomic import no_room, remove_partial
from pipeline.io.ledger import Ledger, read_ledger
from pipeline.io.provenance import Provenance, make_provenance
from pipeline.io.reference import ReferenceCatalogue, read_reference
from pipeline.io.room import describe_room
from pipeline.io.store import Entry, Store
from pipeline.made import (
    Job,
    Made,
    StripMade,
    Work,
    blocks_of,
    call,
    no_products,
    same,
    strip_slot,
)
from pipeline.plan import PlanRow, ReductionSummary, StripRow
from pipeline.recipes import (
    STEPS,
    Recipe,
    base_parts,
    compare_recipes,
    digest_code,
    raw_parts,
    reference_part,
)
from pipeline.runners import InlineRunner, Runner
from pipeline.stopping import check_stop
from pipeline.strip import Strip
from pipeline.tasks.options import StageOptions, make_options

__all__ = ["ReductionSummary", "Run", "StripRow"]

logger = logging.getLogger(__name__)

STANDS = "stands"


class Run:
    """What every step of a run needs, and what it leaves behind.

    Parameters
    ----------
    config : Config
        The observatory.
    out : Path
        Folder that the products are written to.
    runner : Runner
        Runs the tasks.
    store : Store
        Of `out`; a frozen one makes this a plan.
    home : Path
        Folder of products as its user knows it: where calibrations are chosen from.
    """

    def __init__(
        self, config: Config, out: Path, runner: Runner, store: Store, *, home: Path
    ) -> None:
        self.config = config
        self.options: StageOptions = make_options(config)
        self.out = out
        self.home = home
        self.runner = runner
        self.store = store
        self.ledger = Ledger(out / "ledger.jsonl")
        self.summary = ReductionSummary()
        self._catalogues: dict[str, ReferenceCatalogue | None] = {}
        self._provenances: dict[str, Provenance] = {}
        self._base: dict[str, dict[str, str]] = {}
        self._raw: dict[str, dict[str, str]] = {}
        self._reference = ""
        self._rows: dict[tuple[str, str, str], PlanRow] = {}
        self._lost: dict[tuple[str, str], int] = {}
        self._times = _read_times(home / "ledger.jsonl")

    @property
    def frozen(self) -> bool:
        """True where nothing is done."""
        return self.store.frozen

    def note_made(self, night: str, strip: str, step: str, state: str = "ok", **rest: Any) -> None:
        """Write to the ledger and the log, except in a plan."""
        if not self.frozen:
            self.ledger.record(night=night, strip=strip, step=step, state=state, **rest)  # type: ignore[arg-type]
            facts = {"night": night, "strip": strip, "step": step, "state": state, **rest}
            level = logging.WARNING if state == "failed" else logging.INFO
            about = " ".join(t for t in (strip or night, step) if t)
            logger.log(level, "%s: %s", about, state, extra={"facts": facts})

    def catalogue(self, filter_name: str) -> ReferenceCatalogue | None:
        """Reference catalogue of a filter, read once; None, with a note, where there is none."""
        if filter_name not in self._catalogues:
            try:
                self._catalogues[filter_name] = read_reference(self.config, filter_name)
            except ReferenceCatalogueError as error:
                self._catalogues[filter_name] = None
                self.summary.fail(
                    f"filter {filter_name}: {error}. Strips get catalogues in pixels only"
                )
        return self._catalogues[filter_name]

    def recipe(self, step: str, *parts: Mapping[str, str]) -> Recipe:
        """Recipe of a step: what all its recipes share, and the parts given."""
        if step not in self._base:
            self._base[step] = base_parts(self.config, STEPS[step])
        return Recipe({**self._base[step], **{k: v for p in parts for k, v in p.items()}})

    def raw(self, strip: Strip) -> dict[str, str]:
        """Identity of a strip's raw segments, looked at once, before anything is read of them."""
        place = strip_slot(strip, "")
        if place not in self._raw:
            self._raw[place] = raw_parts(strip, self.config)
        return self._raw[place]

    def reference(self) -> dict[str, str]:
        """Identity of the reference catalogue."""
        self._reference = self._reference or reference_part(self.config)
        return {"reference catalogue": self._reference}

    def provenance(self, strip: Strip, calibration: Sequence[str] | None = None) -> Provenance:
        """Where a strip's products come from.

        Parameters
        ----------
        strip : Strip
            Its segments are the inputs.
        calibration : sequence of str, optional
            Calibrations used; when given, they are remembered for the strip.
        """
        place = strip_slot(strip, "")
        if calibration is not None or place not in self._provenances:
            inputs = [
                (name.removeprefix("raw "), text.split(", ", 1)[1].split(" ")[0])
                for name, text in self.raw(strip).items()
            ]
            self._provenances[place] = make_provenance(
                self.config, inputs=inputs, calibration=calibration or ()
            )
        return self._provenances[place]

    def lost_lines(self, strip: Strip) -> int:
        """Lines of a strip that its summary could not read in this run."""
        return self._lost.get((strip.night, strip.name), 0)

    def note_problems(self, made: Mapping[str, Made]) -> None:
        """Pass on what outcomes tell their reader, by name of strip."""
        for name, one in made.items():
            self.summary.note(*(f"{name}: {text}" for text in one.facts.get("problems", ())))

    def open_row(self, step: str, night: str, where: str) -> None:
        """Plan tasks whose number shows only when the steps before are done."""
        row = self._row(step, night, where)
        row.reasons.append("upstream: how many shows then")

    def _row(self, step: str, night: str, where: str) -> PlanRow:
        place = (step, night, where)
        if place not in self._rows:
            self._rows[place] = PlanRow(step, night, where)
            self.summary.rows.append(self._rows[place])
        return self._rows[place]

    def fulfil(self, work: Work, *, here: bool = False) -> dict[str, Made]:
        """Have the outcomes of a step: those that stand as they are, the others made now.

        Parameters
        ----------
        work : Work
            With its jobs.
        here : bool
            Do it in this process, one after the other.

        Returns
        -------
        dict of str to Made
            By slot; without those that failed.
        """
        return self.fulfil_together([work], here=here)[0]

    def fulfil_together(
        self, works: Sequence[Work], *, here: bool = False
    ) -> list[dict[str, Made]]:
        """Have the outcomes of steps that do not need each other: workers share them all.

        Parameters
        ----------
        works : sequence of Work
            With their jobs.
        here : bool
            Do it in this process, one after the other.

        Returns
        -------
        list of dict of str to Made
            For each step, as from `fulfil`.
        """
        looked = [(work, *self._look_up(work)) for work in works]
        ready = [made for _, made, _ in looked]
        busy = [(work, made, todo) for work, made, todo in looked if todo]
        if self.frozen or not busy:
            return ready
        check_stop()
        for work, _, todo in busy:
            self._record_begin(work.name, work.jobs, todo)
        self.store.clear_products(job.slot for _, _, todo in busy for job in todo)
        by_slot = {job.slot: (work, job, made) for work, made, todo in busy for job in todo}

        def take(outcome: Outcome) -> None:
            work, job, made = by_slot[outcome.key]
            found = self._take(outcome, work, job)
            if found is None:
                del made[job.slot]
            else:
                made[job.slot] = found

        runner = InlineRunner() if here else self.runner
        label = " and ".join(work.label for work, _, _ in busy)
        if len(busy) == 1:
            [(work, _, todo)] = busy
            runner.run(
                work.function, [Task(job.slot, job.arguments) for job in todo], label=label,
                common=work.common, on_outcome=take,
            )  # fmt: skip
            return ready
        tasks = [
            Task(job.slot, lambda w=work, j=job: (w.function, *w.common, *j.arguments()))  # type: ignore[misc]
            for work, _, todo in busy
            for job in todo
        ]
        runner.run(call, tasks, label=label, on_outcome=take)
        return ready

    def _look_up(self, work: Work) -> tuple[dict[str, Made], list[Job]]:
        """Outcomes of a step that stand, and the jobs that are to be done."""
        made: dict[str, Made] = {}
        todo: list[Job] = []
        for job in work.jobs:
            entry = self.store.find(job.slot, job.recipe.key)
            row = self._row(work.name, job.night, job.strip)
            if entry is None:
                todo.append(job)
                self._explain(row, job)
                made[job.slot] = Made(job.recipe.key, {})
            else:
                row.n_stands += 1
                made[job.slot] = self._standing(entry, work.unpack)
        for night, strip in dict.fromkeys((j.night, j.strip) for j in work.jobs):
            if not any((j.night, j.strip) == (night, strip) for j in todo):
                self.note_made(night, strip, work.name, "skipped", reason=STANDS)
        return made, todo

    def _take(self, outcome: Outcome, work: Work, job: Job) -> Made | None:
        """Keep what became of a job; None where there is no outcome."""
        self.summary.raw_bytes += outcome.raw_bytes
        lost = outcome.lost_lines or (getattr(outcome.value, "n_lost", 0) if outcome.ok else 0)
        self._record(outcome, job, work.name, lost=lost)
        if outcome.disk_full:
            # Every task after it would fail as well: what stands is kept for the next run.
            raise DiskFullError(outcome.error)
        if not outcome.ok:
            self.store.keep(
                job.slot, key="", components=job.recipe.parts, value=None, facts={},
                reason=f"failed last time: {outcome.error}",
            )  # fmt: skip
            return None
        value, key = outcome.value, job.recipe.key
        noted = work.facts(value)
        kept = work.pack(value)
        if lost:
            # What is made from such an outcome belongs to it, not to the recipe.
            key = hashlib.sha256(key.encode() + pickle.dumps(kept)).hexdigest()
        entry = self.store.keep(
            job.slot, key=key, components=job.recipe.parts, value=kept, facts=noted,
            products=work.products(value), written=outcome.written,
            reason=f"made last time with {lost} raw lines that could not be read" * bool(lost),
        )  # fmt: skip
        if lost:  # is not kept: the next run is to try again
            return Made(key, noted, lambda: value)
        made = self._standing(replace(entry, facts=noted), work.unpack)
        if job.block is None:
            # A strip's blocks are many: what they gave is read again when it is needed.
            made.hold(value)
        return made

    def _record_begin(self, step: str, jobs: Sequence[Job], todo: Sequence[Job]) -> None:
        """Write to the ledger what is begun, for those who look from outside."""
        counts = {(j.night, j.strip): [0, 0] for j in todo}
        for job in jobs:
            if (job.night, job.strip) in counts:
                counts[job.night, job.strip][1] += 1
        for job in todo:
            counts[job.night, job.strip][0] += 1
        for (night, strip), (n_todo, n_all) in counts.items():
            self.note_made(night, strip, step, "begun", tasks=n_todo, stand=n_all - n_todo)

    @contextmanager
    def at_work(self, strips: Sequence[Strip]) -> Iterator[None]:
        """Hold the folder's ledger open for a run: its beginning, and how it ended.

        What killed processes left half-written is removed before and after.

        Parameters
        ----------
        strips : sequence of Strip
            What is to be reduced.
        """
        begin = time.perf_counter()
        remove_partial(self.out)
        plan = [[s.night, s.name, s.n_lines, s.shutter_open] for s in strips]
        self.note_made(
            "", "", "run", "begun", process=os.getpid(), host=socket.gethostname(),
            code=digest_code(), config=self.config.digest(), strips=plan,
            block_lines=self.config.detection.block_lines,
            calibrated=self.config.products.calibrated_strips,
        )  # fmt: skip
        try:
            yield
        except BaseException as error:
            state = "stopped" if isinstance(error, Stopped) else "failed"
            with suppress(ProductError):  # the disk may be full
                self.note_made("", "", "run", state, reason=str(error) or type(error).__name__,
                               seconds=time.perf_counter() - begin)  # fmt: skip
            if isinstance(error, Exception) and no_room(error):
                remove_partial(self.out)
                text = f"{error}: {describe_room(self.out, strips, self.config)}"
                raise DiskFullError(text) from error
            raise
        finally:
            remove_partial(self.out)
        self.note_made("", "", "run", reason=f"{self.summary.raw_bytes} raw bytes read",
                       seconds=time.perf_counter() - begin)  # fmt: skip

    def _standing(self, entry: Entry, unpack: Callable[[Any], Any]) -> Made:
        return Made(entry.key, entry.facts, lambda: unpack(entry.load()), entry.path)

    def _explain(self, row: PlanRow, job: Job) -> None:
        """Note why a job is to be done, and how long that may take."""
        row.n_todo += 1
        old = self.store.peek(job.slot)
        if old is None:
            reasons = ["never made"]
        elif old.reason:
            reasons = [old.reason]
        else:
            reasons = compare_recipes(old.components, job.recipe.parts)
            reasons = reasons or ["its entry or a product is damaged or missing"]
        row.reasons += [r for r in reasons if r not in row.reasons]
        row.seconds += self._times.get(
            (row.step, row.where), self._times.get((row.step, ""), np.nan)
        )

    def _record(self, outcome: Outcome, job: Job, step: str, *, lost: int) -> None:
        """Write an outcome to the ledger and, where there is none, to the failures."""
        self.note_made(
            job.night, job.strip, step, "ok" if outcome.ok else "failed", block=job.block,
            reason=outcome.error or "", seconds=outcome.seconds, memory=outcome.memory,
        )  # fmt: skip
        where = f", lines {job.block[0]} to {job.block[1]}" if job.block else ""
        if not outcome.ok:
            start = job.complaint or f"{job.strip or job.night}: {step}{where}"
            self.summary.failures.append(f"{start}: {outcome.error}")
        elif lost and step == "summary":
            place = (job.night, job.strip)  # told once for the whole strip
            self._lost[place] = self._lost.get(place, 0) + outcome.value.n_lost
        elif lost and (job.night, job.strip) not in self._lost:
            self.summary.fail(
                f"{job.strip}: {step}{where}: {lost} lines could not be read, though they could "
                "before; is a disk or a connection failing? Start again"
            )

    def fulfil_blocks(
        self,
        step: str,
        function: Callable[..., Any],
        strips: Sequence[Strip],
        parts: Callable[[Strip], Sequence[Mapping[str, str]]],
        arguments: Callable[[Strip, int, int], tuple[Any, ...]],
        *,
        label: str,
        common: tuple[Any, ...] = (),
        products: Callable[[Any], Iterable[Path]] = no_products,
        pack: Callable[[Any], Any] = same,
    ) -> dict[str, StripMade]:
        """Have the outcomes of all blocks of strips.

        Where all blocks of a strip stand, cut as they may be, they are taken as they are: the
        size of blocks decides about nothing.

        Returns
        -------
        dict of str to StripMade
            By name of strip. A block that failed is named and left out.
        """  # fmt: skip
        jobs: dict[str, list[Job]] = {}
        whole: dict[str, Recipe] = {}
        for strip in strips:
            recipe = whole[strip.name] = self.recipe(step, *parts(strip))
            jobs[strip.name] = [
                Job(
                    slot=f"{strip_slot(strip, step)}.{start:09d}-{stop:09d}",
                    recipe=recipe.with_parts(lines=f"{start} to {stop}"),
                    arguments=lambda s=strip, a=start, b=stop: arguments(s, a, b),  # type: ignore[misc]
                    night=strip.night, strip=strip.name, block=(start, stop),
                )
                for start, stop in self._cut(strip, step, recipe)
            ]  # fmt: skip
        made = self.fulfil(
            Work(
                step, function, [j for mine in jobs.values() for j in mine], label=label,
                common=common, products=products, pack=pack,
            )
        )  # fmt: skip
        found = {}
        for name, mine in jobs.items():
            there = [(j, made[j.slot]) for j in mine if j.slot in made]
            key = whole[name].key
            odd = [(j.block, m.key) for j, m in there if m.key != j.recipe.key]
            if odd or len(there) < len(mine):
                odd += [(j.block, "failed") for j in mine if j.slot not in made]
                key = hashlib.sha256(f"{key} {odd}".encode()).hexdigest()
            found[name] = StripMade(key, tuple(m for _, m in there), len(mine) - len(there))
        return found

    def _cut(self, strip: Strip, step: str, recipe: Recipe) -> list[tuple[int, int]]:
        """Blocks of a strip: as they stand where they fill it, else of the size configured."""
        ranges = []
        for slot in self.store.slots(f"{strip_slot(strip, step)}."):
            start, _, stop = slot.rpartition(".")[2].partition("-")
            if not (start.isdigit() and stop.isdigit()):
                continue
            block = (int(start), int(stop))
            entry = self.store.peek(slot)
            if entry and entry.key == recipe.with_parts(lines=f"{block[0]} to {block[1]}").key:
                ranges.append(block)
        end = 0
        for start_line, stop_line in sorted(ranges):
            if start_line != end:
                break
            end = stop_line
        if end == strip.n_lines and ranges and len(ranges) == len(set(ranges)):
            return sorted(ranges)
        return blocks_of(strip, self.config.detection.block_lines)


def _read_times(path: Path) -> dict[tuple[str, str], float]:
    """Mean seconds of a task by step and strip, and by step alone, from a ledger."""
    taken: dict[tuple[str, str], list[float]] = {}
    try:
        rows = read_ledger(path)
    except ProductError:
        return {}
    for row in rows:
        seconds = row.get("seconds")
        if row.get("state") == "ok" and isinstance(seconds, int | float):
            step, strip = str(row.get("step")), str(row.get("strip"))
            for place in ((step, strip), (step, "")):
                taken.setdefault(place, []).append(float(seconds))
    return {place: float(np.mean(values)) for place, values in taken.items()}
