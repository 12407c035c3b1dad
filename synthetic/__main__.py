"""Command line: `python -m synthetic make SCENARIO OUT` and `python -m synthetic score OUT`."""

from __future__ import annotations

import argparse
import sys
import time
from importlib import import_module
from pathlib import Path

from rich.progress import Progress

from synthetic.make import make
from synthetic.scenarios import NAMES, build_scenario
from synthetic.settings import change_settings, read_advice

__all__ = ["main"]


def _parse(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m synthetic", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    one = commands.add_parser("make", help="simulate an observing run of an invented observatory")
    one.add_argument("scenario", choices=NAMES)
    one.add_argument("out", type=Path)
    one.add_argument("--seed", type=int, default=None)
    one.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    one.add_argument("--columns", type=int, default=1024, help="night: columns of the chip")
    one.add_argument("--lines", type=int, default=20_000, help="night: lines of the strip")
    one.add_argument("--stages", type=int, default=None, help="night: rows that integrate")
    one.add_argument(
        "--line-period", type=float, default=None, help="seconds per line, as the observer sets it"
    )
    one.add_argument(
        "--rotation-change",
        type=float,
        default=0.0,
        help="deg by which the camera is turned from where the scenario has it; positive turns the "
        "direction in which column numbers grow to the west",
    )
    one.add_argument(
        "--advice",
        type=Path,
        default=None,
        help="a strip's solution.json: sets line period and rotation as it advises, after the two "
        "options above, which must be those of the strip that was reduced",
    )
    two = commands.add_parser("score", help="compare the products of a reduction with the truth")
    two.add_argument("out", type=Path)
    two.add_argument("--json", type=Path, default=None, help="also write the figures here")
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit status."""
    options = _parse(arguments)
    if options.command == "score":
        return int(import_module("synthetic.score").main(options.out, options.json))
    start = time.monotonic()
    try:
        scenario = build_scenario(
            options.scenario,
            columns=options.columns,
            lines=options.lines,
            stages=options.stages,
            seed=options.seed,
        )
        scenario = change_settings(
            scenario, line_period=options.line_period, rotation_change=options.rotation_change
        )
        if options.advice is not None:
            period, turn = read_advice(options.advice)
            scenario = change_settings(scenario, line_period=period, rotation_change=turn)
        with Progress() as bar:
            task = bar.add_task(f"{scenario.name} (invented data)", total=None)
            make(
                scenario,
                options.out,
                workers=options.workers,
                progress=lambda done, total: bar.update(task, completed=done, total=total),
            )
    except ValueError as error:
        print(f"error: {error}", file=sys.stderr)
        return 2
    print(f"{options.out}: {scenario.name} made in {time.monotonic() - start:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
