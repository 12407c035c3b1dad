"""The order of a run: nights to catalogues, catalogues to tiles, tiles to stacks."""

import logging
from pathlib import Path

from pipeline.config import Config
from pipeline.errors import RawError
from pipeline.exchange import finish_exchange
from pipeline.io.atomic import explain_failure
from pipeline.io.raw import RawInventory, find_strips
from pipeline.io.room import check_room
from pipeline.io.runlock import hold_lock
from pipeline.io.store import Store
from pipeline.made import Made
from pipeline.nightly import reduce_night
from pipeline.run import ReductionSummary, Run, StripRow
from pipeline.runners import InlineRunner, Runner
from pipeline.strip import Strip
from pipeline.tasks.explain import check_line_period
from pipeline.tasks.tiles import make_grid
from pipeline.tiling import fill_tiles, stack_groups

__all__ = [
    "ReductionSummary",
    "StripRow",
    "carry_out",
    "plan_reduction",
    "reduce_folder",
    "take_inventory",
]

logger = logging.getLogger(__name__)


def take_inventory(
    config: Config, raw: Path, nights: list[str] | None
) -> tuple[RawInventory, list[Strip]]:
    """Strips to reduce, and all that was found.

    Parameters
    ----------
    config : Config
        The observatory.
    raw : Path
        Folder of segments.
    nights : list of str or None
        Only these nights (YYYY-MM-DD).

    Returns
    -------
    RawInventory
    strips : list of Strip

    Raises
    ------
    RawError
        If there is nothing to reduce.
    ConfigError
        If the sky cannot be cut into the tiles asked for.
    """
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
    return inventory, strips


def carry_out(run: Run, inventory: RawInventory, strips: list[Strip]) -> ReductionSummary:
    """Go through all steps of all strips; in a frozen run, only tell what there is to do.

    Parameters
    ----------
    run : Run
        The folder of products and what is known of it.
    inventory : RawInventory
        All that was found.
    strips : list of Strip
        What is to be reduced.

    Returns
    -------
    ReductionSummary
    """
    for path, reason in inventory.rejected:
        run.note_made("", path, "check", "failed", reason=reason)
        run.summary.failures.append(f"{path}: {reason}")
    for strip in strips:
        run.summary.note(*(f"{strip.name}: {p}" for p in strip.problems))
        if text := check_line_period(run.config, strip):  # before any pixel is read
            run.summary.note(f"{strip.name}: {text}")
    results: list[tuple[Strip, Made]] = []
    for night in sorted({s.night for s in strips}):
        results += reduce_night(run, night, [s for s in strips if s.night == night])
        if run.frozen:  # a plan of a season takes minutes: its log tells how far it is
            facts = {"night": night, "step": "plan", "tasks": run.summary.n_todo}
            logger.info("night %s: planned", night, extra={"facts": facts})
    tiles = fill_tiles(run, results)
    run.summary.n_tiles = len(tiles)
    stack_groups(run, tiles)
    for strip, made in results:
        run.note_problems({strip.name: made})
        for text in made.facts.get("losses", ()):
            run.summary.fail(f"{strip.name}: {text}")
            run.note_made(strip.night, strip.name, "sky positions", "failed", reason=text)
        if "row" in made.facts:
            row = made.facts["row"]
            run.summary.strips.append(StripRow(strip.night, strip.name, strip.n_lines, *row))
    # What this run did not come to (blocks of another size, tiles of another grid, what follows a
    # step that failed) would only be mistaken for its products.
    run.store.prune(f"{s.night}/{s.name}/" for s in strips)
    for note in run.store.notes:
        run.summary.note(note)
    return run.summary


def reduce_folder(
    config: Config, raw: Path, out: Path, *, runner: Runner, nights: list[str] | None = None
) -> ReductionSummary:
    """Reduce all nights of a folder of raw segments; what stands from before is not done again.

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
    from pipeline.verdict import judging_of

    inventory, strips = take_inventory(config, raw, nights)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise explain_failure(out, error) from error
    notes: list[str] = []
    with hold_lock(out, notes=notes) as lock:
        runner.require(
            [lock, *dict.fromkeys(Path(g.path).parent for s in strips for g in s.segments)]
        )
        finish_exchange(out)  # of a reprocessing that was killed on the way
        run = Run(config, out, runner, Store(out), home=out)
        run.summary.note(*notes, *check_room(out, strips, config))
        have = ", ".join(sorted({s.night for s in inventory.strips}))
        for night in sorted(set(nights or ()) - {s.night for s in strips}):
            run.summary.failures.append(f"night {night}: not in {raw} (nights found: {have})")
        with run.at_work(strips):
            carry_out(run, inventory, strips)
            if not nights:
                run.store.prune(["stacks/", *(f"{s.night}/vectors_" for s in strips)])
            write_report(out, judging_of(config), runner)
    return run.summary


def plan_reduction(
    config: Config, raw: Path, out: Path, *, nights: list[str] | None = None
) -> ReductionSummary:
    """Tell what a reduction would do, and why; nothing is written.

    Parameters
    ----------
    config, raw, out, nights
        As for `reduce_folder`.

    Returns
    -------
    ReductionSummary
        Its rows are the steps; those whose number shows only later say so.

    Raises
    ------
    RawError, ConfigError
        As for `reduce_folder`.
    """
    inventory, strips = take_inventory(config, raw, nights)
    run = Run(config, out, InlineRunner(), Store(out, frozen=True), home=out)
    return carry_out(run, inventory, strips)
