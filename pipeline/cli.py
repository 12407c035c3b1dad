"""The command line: it parses, calls one function, and reports."""

import logging
import subprocess
import sys
import time
from collections.abc import Iterable
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.table import Table

from pipeline import __version__, cli_quicklook
from pipeline.errors import BrokenOffError, DriftloomError
from pipeline.logs import open_log
from pipeline.memory import undisturbed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.config import Config
    from pipeline.plan import PlanRow
    from pipeline.runners import Runner

__all__ = ["app", "main"]

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    help="Reduce the drift-scan strips of a telescope that cannot track: calibrated strips, "
    "catalogues with errors, stacks of repeat nights.",
    pretty_exceptions_enable=False,
)
_LOG_WIDTH = 150  # characters
# A log has no width: tables are not folded to that of a terminal nobody looks at.
console = Console() if sys.stdout.isatty() else Console(width=_LOG_WIDTH)
complaints = Console(stderr=True, soft_wrap=True)  # paths stay whole

# Exit statuses: everything done; done with losses that are named; the user's mistake; broken off
# by a signal, a lost scheduler or a full disk: the same command goes on where it was.
COMPLETE, WITH_LOSSES, MISTAKE, BROKEN_OFF = 0, 1, 2, 3
logger = logging.getLogger("pipeline.cli")

ConfigPath = Annotated[Path, typer.Argument(help="Configuration of the observatory (TOML).")]
RawPath = Annotated[Path, typer.Argument(help="Folder of raw segments.")]
OutPath = Annotated[Path, typer.Argument(help="Folder for the products; made when missing.")]
Workers = Annotated[
    int | None,
    typer.Option(min=0, help="Worker processes; 0 for one a core. Overrides the configuration."),
]


class BarProgress:
    """A bar in a terminal, a plain line per stretch of work in a log file."""

    def __init__(self) -> None:
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        self._label, self._total, self._done, self._begin = "", 0, 0, 0.0

    def start(self, label: str, total: int) -> None:
        """Open a stretch of work."""
        self._label, self._total, self._begin = label, total, time.perf_counter()
        self._done = 0
        if console.is_terminal:
            self._bar = Progress(
                TextColumn("{task.description:<34}"),
                BarColumn(),
                MofNCompleteColumn(),
                TimeElapsedColumn(),
                TimeRemainingColumn(),
                console=console,
            )
            self._bar.start()
            self._task = self._bar.add_task(label, total=total)

    def advance(self) -> None:
        """Count one task as ended."""
        self._done += 1
        if self._bar is not None and self._task is not None:
            self._bar.advance(self._task)

    def finish(self) -> None:
        """Close the stretch of work."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
        else:
            seconds = time.perf_counter() - self._begin
            # Where it was broken off, both numbers are told.
            count = (
                f"{self._total}" if self._done == self._total else f"{self._done} of {self._total}"
            )
            console.print(f"{self._label}: {count} in {seconds:.1f} s", highlight=False)


def _say(text: str) -> None:
    """A line for the reader and the log."""
    console.print(text, highlight=False, markup=False, soft_wrap=True)
    logger.info("%s", text)


def _complain(problems: Iterable[str], failures: Iterable[str]) -> None:
    """What the reader should know, and what was lost."""
    for text in problems:
        complaints.print(f"note: {text}", highlight=False, markup=False)
    for text in failures:
        complaints.print(f"failed: {text}", highlight=False, markup=False)
        logger.info("failed: %s", text)


@contextmanager
def _at_work(
    config: "Config", workers: int | None, scheduler: str | None = None
) -> "Iterator[Runner]":
    """A runner as the configuration and the command line want it; signals are heeded."""
    from pipeline.graph import open_runner
    from pipeline.local import begin_workers, count_workers
    from pipeline.stopping import catch_signals

    where = config.compute.scheduler if scheduler is None else scheduler
    asked = config.compute.workers if workers is None else workers
    queue = config.cluster if workers is None else None
    if not where and queue is None and count_workers(asked) > 1:
        begin_workers()
    with undisturbed():
        # What tasks need, this process needs too: loaded now, while workers load the same.
        import pipeline.reduction
        import pipeline.report.page  # noqa: F401

    with (
        catch_signals(),
        open_runner(
            workers=asked, scheduler=where, queue=queue, memory_limit=config.compute.memory_limit,
            progress=BarProgress(), say=_say,
        ) as runner,
    ):  # fmt: skip
        yield runner


def _reduce(
    config_path: Path,
    raw: Path,
    out: Path,
    *,
    workers: int | None,
    scheduler: str | None,
    nights: list[str] | None,
    block_lines: int | None,
    dry_run: bool = False,
    each: bool = False,
) -> int:
    from pipeline.config import load_config

    config = load_config(config_path)
    if block_lines is not None:
        config = config.with_value("detection.block_lines", block_lines)
    begin = time.perf_counter()
    if dry_run:
        from pipeline.plan import group_rows
        from pipeline.reduction import plan_reduction

        planned = plan_reduction(config, raw, out, nights=nights or None)
        _print_plan(planned.rows if each else group_rows(planned.rows))
        _complain(planned.problems, planned.failures)
        return COMPLETE
    with _at_work(config, workers, scheduler) as runner:
        from pipeline.reduction import reduce_folder

        summary = reduce_folder(config, raw, out, runner=runner, nights=nights or None)
    table = Table(title=None, box=None, pad_edge=False)
    for head in ("night", "strip", "lines", "sources", "rms line", "rms column", "zero point"):
        table.add_column(head, justify="left" if head in {"night", "strip"} else "right")
    for row in summary.strips:
        table.add_row(
            row.night,
            row.strip,
            f"{row.n_lines}",
            f"{row.n_sources}",
            f"{row.rms_line:.3f} px",
            f"{row.rms_column:.3f} px",
            f"{row.zero_point:.3f} mag",
        )
    console.print(table)
    console.print(
        f"{summary.n_tiles} epoch tiles, {summary.n_stacks} stacks, "
        f"{summary.n_deep} sources in the deep catalogue, "
        f"{time.perf_counter() - begin:.0f} s.",
        highlight=False,
    )
    _complain(summary.problems, summary.failures)
    console.print(f"Report: {out / 'report' / 'index.html'}", highlight=False, soft_wrap=True)
    return WITH_LOSSES if summary.failures else COMPLETE


@app.command()
def reduce(
    config: ConfigPath,
    raw: RawPath,
    out: OutPath,
    workers: Workers = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a running dask scheduler.")
    ] = None,
    night: Annotated[
        list[str] | None, typer.Option(help="Reduce only this night (YYYY-MM-DD); repeatable.")
    ] = None,
    block_lines: Annotated[
        int | None, typer.Option(help="Lines in one block; a multiple of 256.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only tell what would be done, and why.")
    ] = False,
    each: Annotated[
        bool, typer.Option("--each", help="With --dry-run: every strip by itself.")
    ] = False,
) -> None:
    """Reduce all nights of a folder: catalogues, tiles, stacks and a report."""
    raise typer.Exit(
        _reduce(
            config,
            raw,
            out,
            workers=workers,
            scheduler=scheduler,
            nights=night,
            block_lines=block_lines,
            dry_run=dry_run,
            each=each,
        )
    )


@app.command()
def check(config: ConfigPath, raw: RawPath) -> None:
    """List the strips of a folder and what is wrong with its files; nothing is reduced."""
    from pipeline.config import load_config
    from pipeline.io.raw import find_strips
    from pipeline.tasks.explain import check_line_period

    settings = load_config(config)
    inventory = find_strips(raw, settings)
    table = Table(box=None, pad_edge=False)
    for head in ("night", "strip", "chip", "filter", "shutter", "lines", "segments", "gaps"):
        table.add_column(head)
    for strip in inventory.strips:
        table.add_row(
            strip.night,
            strip.name,
            strip.chip,
            strip.filter,
            "open" if strip.shutter_open else "closed",
            f"{strip.n_lines}",
            f"{len(strip.segments)}",
            f"{len(strip.gaps)}",
        )
    console.print(table)
    for strip in inventory.strips:
        for text in strip.problems:
            complaints.print(f"note: {text}", highlight=False, markup=False)
    doubts = [(s.name, check_line_period(settings, s)) for s in inventory.strips]
    doubts = [(name, text) for name, text in doubts if text]
    for name, text in doubts:
        complaints.print(f"doubtful: {name}: {text}", highlight=False, markup=False)
    for path, reason in inventory.rejected:
        complaints.print(f"rejected: {path}: {reason}", highlight=False, markup=False)
    raise typer.Exit(WITH_LOSSES if inventory.rejected or doubts else COMPLETE)


@app.command()
def status(
    out: Annotated[Path, typer.Argument(help="Folder of products of a run, at work or ended.")],
    each: Annotated[bool, typer.Option("--each", help="Every step of every night.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for other programs.")] = False,
) -> None:
    """Tell from its ledger how the last run in a folder stands; nothing is touched."""
    from pipeline.status import read_status
    from pipeline.status_text import print_status

    found = read_status(out)
    if as_json:
        console.print_json(data=found.to_json())
    else:
        print_status(console, found, each=each)
    ended = COMPLETE if found.state in {"running", "ended"} else BROKEN_OFF
    raise typer.Exit(WITH_LOSSES if found.failures and ended == COMPLETE else ended)


@app.command()
def season(
    config: ConfigPath,
    out: Annotated[Path, typer.Argument(help="Folder of products, with summaries of the nights.")],
) -> None:
    """Make the season's column calibrations and their register; no raw file is read."""
    from pipeline.config import load_config
    from pipeline.season import make_season

    made = make_season(load_config(config), out)
    table = Table(box=None, pad_edge=False)
    for head in ("chip", "filter", "from", "to", "nights", "error", "what changed", "by chance"):
        right = head in {"nights", "error", "by chance"}
        table.add_column(head, justify="right" if right else "left", overflow="fold")
    for row in made.intervals:
        table.add_row(
            row.chip,
            row.filter,
            row.valid_from,
            row.valid_to,
            f"{row.n_nights}",
            f"{100 * row.error:.3f} %",
            row.change or "-",
            f"< {max(row.chance, 1e-99):.0e}" if row.change else "-",
        )
    console.print(table)
    console.print(
        f"{made.n_summaries} summaries, {made.n_bytes} bytes read, no raw file; "
        f"{made.n_darks} darks, {len(made.intervals)} responses, {made.seconds:.1f} s.",
        highlight=False,
    )
    _complain(made.problems, made.failures)
    console.print(f"Register: {made.register}", highlight=False, soft_wrap=True)
    if made.picture is not None:
        console.print(f"Picture: {made.picture}", highlight=False, soft_wrap=True)
    raise typer.Exit(WITH_LOSSES if made.failures else COMPLETE)


@app.command()
def reprocess(
    config: ConfigPath,
    raw: RawPath,
    out: OutPath,
    workers: Workers = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only tell what would be done, and why.")
    ] = False,
    keep_previous: Annotated[
        bool,
        typer.Option(
            "--keep-previous/--discard-previous", help="Keep the old products in OUT/previous."
        ),
    ] = True,
    accept_losses: Annotated[
        bool, typer.Option("--accept-losses", help="Exchange products even with losses.")
    ] = False,
    each: Annotated[
        bool,
        typer.Option("--each", help="List every strip and tile by itself."),
    ] = False,
) -> None:
    """Do again exactly what a change touches: new flats, another option, other raw files."""
    from pipeline.config import load_config
    from pipeline.plan import group_rows

    settings = load_config(config)
    if dry_run:
        from pipeline.reprocess import plan_reprocessing

        rows = plan_reprocessing(settings, raw, out)
        _print_plan(rows if each else group_rows(rows))
        raise typer.Exit(COMPLETE)
    with _at_work(settings, workers) as runner:
        from pipeline.reprocess import reprocess_folder

        done = reprocess_folder(
            settings, raw, out, runner=runner, keep_previous=keep_previous,
            accept_losses=accept_losses,
        )  # fmt: skip
    rows = done.summary.rows
    _print_plan(rows if each else group_rows(rows))
    _complain(done.summary.problems, done.summary.failures)
    console.print(
        f"{done.summary.raw_bytes} bytes of raw pixels read, {done.seconds:.0f} s.",
        highlight=False,
    )
    if not done.summary.n_todo:
        console.print("Everything stands.", highlight=False)
    elif not done.exchanged:
        complaints.print(
            f"The old products stand; the new ones wait in {out / '.next'}. Mend what failed and "
            "start again, or give --accept-losses.",
            highlight=False,
        )
    raise typer.Exit(WITH_LOSSES if done.summary.failures else COMPLETE)


def _print_plan(rows: list["PlanRow"]) -> None:
    """Step by step: what is done, what stands, why, and how long it may take."""
    table = Table(box=None, pad_edge=False)
    for head in ("step", "night", "strip or tile", "to do", "stands", "about", "why"):
        right = head in {"to do", "stands", "about"}
        table.add_column(
            head, justify="right" if right else "left", overflow="fold", no_wrap=head == "night"
        )
    for row in rows:
        seconds = f"{row.seconds:.0f} s" if row.n_todo and row.seconds == row.seconds else ""
        table.add_row(
            row.step, row.night, row.where, f"{row.n_todo}", f"{row.n_stands}", seconds,
            "; ".join(row.reasons),
        )  # fmt: skip
    console.print(table)
    todo = sum(row.n_todo for row in rows)
    console.print(
        f"{todo} tasks to be done, {sum(row.n_stands for row in rows)} stand.", highlight=False
    )


@app.command()
def demo(
    out: Annotated[Path, typer.Argument(help="Folder for raw segments, truth and products.")],
    workers: Workers = None,
    seed: Annotated[int | None, typer.Option(help="Seed of the invented sky.")] = None,
) -> None:
    """Make three nights of an invented observatory and reduce them."""
    begin = time.perf_counter()
    command = [sys.executable, "-m", "synthetic", "make", "demo", str(out)]
    if workers:
        command += ["--workers", str(workers)]
    if seed is not None:
        command += ["--seed", str(seed)]
    # Another process: the simulator shares no code with what reduces its strips.
    made = subprocess.run(command, check=False)  # noqa: S603 - our own module, our own arguments
    if made.returncode:
        complaints.print("the invented nights could not be made; see the message above")
        raise typer.Exit(made.returncode)
    status = _reduce(
        out / "observatory.toml",
        out / "raw",
        out / "products",
        workers=workers,
        scheduler=None,
        nights=None,
        block_lines=None,
    )
    console.print(f"Demo done in {time.perf_counter() - begin:.0f} s.", highlight=False)
    raise typer.Exit(status)


@app.command()
def report(
    out: Annotated[Path, typer.Argument(help="Folder of products.")],
    config: Annotated[
        Path | None,
        typer.Option(
            help="Configuration whose verdict section holds; that of the last report without."
        ),
    ] = None,
    workers: Annotated[
        int, typer.Option(min=0, help="Worker processes; 0 for one a core, 1 for none but this.")
    ] = 1,
) -> None:
    """Draw the report again: what changed since it was drawn last."""
    with undisturbed():
        from pipeline.config import load_config
        from pipeline.graph import open_runner
        from pipeline.report.page import write_report
        from pipeline.verdict import judging_of

    judging = None if config is None else judging_of(load_config(config))
    with open_runner(workers=workers, progress=BarProgress(), say=_say) as runner:
        index = write_report(out, judging, runner)
    console.print(f"Report: {index}", highlight=False, soft_wrap=True)


@app.command()
def settings() -> None:
    """Print a configuration file with every key, its meaning, unit, limits and default."""
    from pipeline.config import describe_config

    print(describe_config())  # noqa: T201 - plain text for a file, no terminal markup


cli_quicklook.register(app, console, complaints)


def _version(value: bool) -> None:
    if value:
        console.print(f"driftloom {__version__}", highlight=False)
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    verbose: Annotated[bool, typer.Option(help="Log what every step does.")] = False,
    log: Annotated[
        Path | None, typer.Option(help="Add a log to this file, one JSON object a line.")
    ] = None,
) -> None:
    del version
    logging.basicConfig(
        level=logging.INFO if verbose else logging.ERROR,
        format="%(asctime)s %(levelname)s %(name)s %(message)s",
    )
    if log is not None:
        for handler in logging.getLogger().handlers:
            handler.setLevel(logging.INFO if verbose else logging.ERROR)
        open_log(log)


def main() -> None:
    """Run the command line; the user's mistakes end with a message and exit status 2."""
    try:
        app()
    except BrokenOffError as error:
        logger.info("broken off: %s", error)
        complaints.print(f"broken off: {error}", highlight=False, markup=False)
        sys.exit(BROKEN_OFF)
    except DriftloomError as error:
        complaints.print(f"error: {error}", highlight=False, markup=False)
        sys.exit(MISTAKE)


if __name__ == "__main__":
    main()
