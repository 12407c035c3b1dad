"""A season done again after a change: what the change touches is made anew, the rest stands.

New products grow in a folder of their own, with hard links for what stands; a run that is killed
goes on there. Only when they are whole do they take the place of the old ones.
"""

import shutil
import time
from dataclasses import dataclass
from pathlib import Path

from pipeline.config import Config
from pipeline.errors import DriftloomError, ProductError
from pipeline.exchange import NEXT, PREVIOUS, exchange, finish_exchange
from pipeline.io.raw import RawInventory
from pipeline.io.runlock import hold_lock
from pipeline.io.store import Store, link_file
from pipeline.plan import PlanRow
from pipeline.reduction import carry_out, take_inventory
from pipeline.run import ReductionSummary, Run
from pipeline.runners import InlineRunner, Runner
from pipeline.strip import Strip

__all__ = ["Reprocessed", "plan_reprocessing", "reprocess_folder"]

# Made by hand or by `season`, not by a reduction: they go along as they are.
# Links of products keep size and time, so that pieces of the report stand where these do.
_CARRIED = ("calibration/register*.toml", "calibration/season/*", "report/**/*")


@dataclass(frozen=True)
class Reprocessed:
    """What was done.

    Parameters
    ----------
    summary : ReductionSummary
        Steps that were done and that stood, losses, raw bytes read.
    exchanged : bool
        New products have taken the place of old ones in this run; where there was nothing to do,
        only if a run before it was killed while it exchanged them.
    seconds : float
        Wall time.
    """

    summary: ReductionSummary
    exchanged: bool
    seconds: float


def _need_products(out: Path) -> None:
    if not (out / "work").is_dir() and not (out / NEXT).is_dir():
        msg = f"{out}: holds no products to begin with; run `driftloom reduce` first"
        raise ProductError(msg)


def plan_reprocessing(
    config: Config, raw: Path, out: Path, *, nights: list[str] | None = None
) -> list[PlanRow]:
    """Tell what a reprocessing would do, and why; nothing is written.

    Parameters
    ----------
    config : Config
        The observatory, as it is now.
    raw : Path
        Folder of segments.
    out : Path
        Folder of products.
    nights : list of str, optional
        Only these nights.

    Returns
    -------
    list of PlanRow
        In the order of the steps.

    Raises
    ------
    RawError, ConfigError
        As for a reduction.
    ProductError
        If there are no products yet.
    """
    _need_products(out)
    inventory, strips = take_inventory(config, raw, nights)
    return _plan(config, out, inventory, strips).rows


def _plan(
    config: Config, out: Path, inventory: RawInventory, strips: list[Strip]
) -> ReductionSummary:
    """Go through all steps without doing any; begun products count as well."""
    base = out if (out / NEXT).is_dir() else None
    store = Store(out / NEXT if base else out, base=base, frozen=True)
    run = Run(config, store.root, InlineRunner(), store, home=out)
    return carry_out(run, inventory, strips)


def reprocess_folder(
    config: Config,
    raw: Path,
    out: Path,
    *,
    runner: Runner,
    keep_previous: bool = True,
    accept_losses: bool = False,
) -> Reprocessed:
    """Make anew what a change touches, and exchange the products when the new ones are whole.

    Parameters
    ----------
    config : Config
        The observatory, as it is now.
    raw : Path
        Folder of segments.
    out : Path
        Folder of products. While the work goes on the new ones are in its folder ``.next``.
    runner : Runner
        Runs the tasks.
    keep_previous : bool
        The old products go to the folder ``previous``; otherwise they are removed.
    accept_losses : bool
        Exchange even where something could not be made; otherwise the new products wait.

    Returns
    -------
    Reprocessed

    Raises
    ------
    RawError, ConfigError
        As for a reduction.
    ProductError
        If there are no products yet, another run holds the folder, or the system refuses.
    """
    from pipeline.report.compare import compare_products
    from pipeline.report.page import write_report
    from pipeline.verdict import judging_of

    begin = time.perf_counter()
    _need_products(out)
    inventory, strips = take_inventory(config, raw, None)
    new = out / NEXT
    notes: list[str] = []
    with hold_lock(out, notes=notes) as lock:
        runner.require(
            [lock, *dict.fromkeys(Path(g.path).parent for s in strips for g in s.segments)]
        )
        finished = finish_exchange(out)  # of a run that was killed on the way
        if not new.exists():
            summary = _plan(config, out, inventory, strips)
            if not summary.n_todo:
                # An exchange for nothing would cost the products before the last change.
                return Reprocessed(summary, finished, time.perf_counter() - begin)
        new.mkdir(exist_ok=True)
        for pattern in _CARRIED:
            for path in sorted(out.glob(pattern)):
                if path.is_file():
                    link_file(path, new / path.relative_to(out))
        if (out / "ledger.jsonl").exists() and not (new / "ledger.jsonl").exists():
            shutil.copy2(out / "ledger.jsonl", new / "ledger.jsonl")
        run = Run(config, new, runner, Store(new, base=out), home=out)
        run.summary.note(*notes)
        with run.at_work(strips):
            summary = carry_out(run, inventory, strips)
            run.store.prune([""])  # a run before this one may have wanted other things
            write_report(new, judging_of(config), runner)
        try:
            compare_products(
                out, new, new,
                names=(
                    str(out / PREVIOUS) if keep_previous else f"{out} before (removed)", str(out)
                ),
            )  # fmt: skip
        except (DriftloomError, ValueError) as error:
            # The products are as good without it.
            summary.note(f"old and new products not compared: {error}")
        whole = accept_losses or not summary.failures
        if whole:
            exchange(out, keep_previous=keep_previous)
    return Reprocessed(summary, whole, time.perf_counter() - begin)
