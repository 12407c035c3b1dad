"""Are the morning's verdicts right? `python -m tests.verdicts OUT`: nights with known faults.

Simulates the scenario `faults` (one known fault a night) unless OUT holds it, reduces all nights
with the command of the product, and reads the verdicts that the report wrote. Printed, one row a
night: the fault that was put in, the verdict that it deserves and the one given, the value that
the report gives for it with its error, and the true one, from the simulator's truth. Findings
beyond the fault that was put in are listed below the table, notes among them.

A row is ok where the word is the one deserved, the fault is among the reasons (none is where none
was put in), and the value is true within three errors and a tolerance.

What a fault deserves follows from its true size and from the limits that the README states: less
than 20 % of the depth lost is good, less than half usable, more is bad; of columns and pixels it
is 5 and 25 %.
"""

import argparse
import json
import math
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from synthetic.__main__ import main as simulate

__all__ = ["EXPECTED", "Expected", "Row", "compare", "judge_nights", "print_table"]

ROOT = Path(__file__).parents[1]


@dataclass(frozen=True)
class Expected:
    """What a fault deserves, the finding that names it, its true value and the tolerance."""

    word: str
    finding: str = ""
    unit: str = ""
    true: Callable[[dict[str, Any]], float] = lambda _: math.nan
    tolerance: Callable[[float], float] = lambda _: 0.0
    beyond: float = 0.0  # how much larger than the truth it may be, relative, by its nature


def _relative(share: float) -> Callable[[float], float]:
    return lambda true: share * abs(true)


def _absolute(size: float) -> Callable[[float], float]:
    return lambda _: size


EXPECTED = {
    "none": Expected("good"),
    "passing cloud": Expected(
        "usable", "cloud", "mag", lambda t: t["passing_cloud_mag"], _absolute(0.03)
    ),
    # Of stars at the limit of detection, those are seen whose noise adds to them: a tenth of 28
    # stars' flux, which their errors do not know.
    "thick cloud": Expected(
        "bad", "even cloud", "mag", lambda t: t["even_cloud_mag"], _absolute(0.2)
    ),
    # Of so few, Poisson errors of both counts, and a false detection or two.
    "clouded out": Expected(
        "bad", "no stars", "sources", lambda t: t["stars_above_snr5"],
        lambda true: 2.0 + 3.0 * math.sqrt(true),
    ),
    "even thin cloud": Expected(
        "bad", "even cloud", "mag", lambda t: t["even_cloud_mag"], _absolute(0.03)
    ),
    "defocus": Expected(
        "bad", "defocus", "arcsec", lambda t: t["fwhm_arcsec"], _relative(0.02)
    ),
    "bad seeing": Expected(
        "usable", "seeing", "arcsec", lambda t: t["fwhm_arcsec"], _relative(0.02)
    ),
    "clock error": Expected(
        "usable", "clock error", "% of line period", lambda t: 100.0 * t["period_change"],
        _absolute(0.01),  # design: rate to 1e-4
    ),
    "rotated camera": Expected(
        "usable", "rotated camera", "deg", lambda t: t["rotation_deg"], _absolute(0.005)
    ),
    "bright moon": Expected(
        "usable", "bright sky", "x usual", lambda t: t["sky_ratio"], _relative(0.03)
    ),
    "dead amplifier": Expected(
        "bad", "dead amplifier", "share of columns",
        lambda t: float(bool(t["dead_amplifier"])), _absolute(0.01),
    ),
    "lost lines": Expected("usable", "lost lines", "lines", lambda t: t["lost_lines"]),
    "dirty flat": Expected(
        "usable", "dirty flat", "relative", lambda t: t["response_change"], _absolute(0.003)
    ),
    # What the mask takes is lost, and it is wider than the light: by 4 px on either side and the
    # cells of 8 px in which trails are sought. A tenth may be missed where trails cross.
    "satellite storm": Expected(
        "usable", "satellites", "share of pixels", lambda t: t["trail_share"], _relative(0.1),
        beyond=1.1,
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One night; `others` are findings beyond the fault that was put in."""

    night: str
    fault: str
    expected: str
    given: str
    value: float
    error: float | None
    unit: str
    true: float
    wrong: tuple[str, ...]
    others: tuple[str, ...]
    unjudged: tuple[str, ...]


def compare(truth: dict[str, Any], told: dict[str, Any]) -> Row:
    """Compare what a night's `numbers.json` tells with the truth of its strip."""
    expected = EXPECTED[truth["fault"]]
    mine = [f for f in told["findings"] if f["fault"] == expected.finding]
    others = [f for f in told["findings"] if f["fault"] != expected.finding]
    value, error, unit, true = math.nan, None, expected.unit, expected.true(truth)
    wrong = []
    if told["verdict"] != expected.word:
        wrong.append("verdict")
    reasons = [f for f in mine if f["severity"] != "note"]
    if expected.finding and not reasons:
        wrong.append("fault not named")
    if not expected.finding and any(f["severity"] != "note" for f in others):
        wrong.append("false alarm")
    if mine:
        first = max(mine, key=lambda f: abs(f["value"]))
        value, error, unit = float(first["value"]), first["error"], first["unit"]
        slack = 3.0 * (error or 0.0) + expected.tolerance(true)
        if not -slack <= value - true <= slack + expected.beyond * true or unit != expected.unit:
            wrong.append("value")
    texts = tuple(f"{f['severity']}: {f['fault']}: {f['text']}" for f in others)
    return Row(
        truth["night"], truth["fault"], expected.word, told["verdict"], value, error, unit, true,
        tuple(wrong), texts, tuple(told["unjudged"]),
    )  # fmt: skip


def judge_nights(out: Path, *, workers: int, seed: int) -> list[Row]:
    """Simulate (unless it was done), reduce and compare every night."""
    truth = out / "truth" / "faults.json"
    make = ["make", "faults", str(out), "--workers", str(workers), "--seed", str(seed)]
    if not truth.exists() and simulate(make):
        msg = f"{out}: the nights could not be simulated"
        raise RuntimeError(msg)
    command = [
        sys.executable, "-m", "pipeline.cli", "reduce", str(out / "observatory.toml"),
        str(out / "raw"), str(out / "products"), "--workers", str(workers),
    ]  # fmt: skip
    status = subprocess.run(command, cwd=ROOT, check=False).returncode
    if status not in (0, 1):
        msg = f"the reduction ended with exit status {status}"
        raise RuntimeError(msg)
    rows = []
    for row in json.loads(truth.read_text(encoding="utf-8")):
        path = out / "products" / "report" / row["night"] / "numbers.json"
        rows.append(compare(row, json.loads(path.read_text(encoding="utf-8"))))
    return rows


def _number(value: float) -> str:
    return "–" if not math.isfinite(value) else f"{value:.4g}"


def print_table(rows: list[Row]) -> None:
    """Markdown, as README shows it; then what else was found."""
    heads = ("night", "fault", "verdict due", "verdict given", "value found", "true value", "unit",
             "result")  # fmt: skip
    print(f"| {' | '.join(heads)} |")
    print(f"|{' --- |' * len(heads)}")
    for number, r in enumerate(rows, 1):
        error = "" if r.error is None else f" +- {r.error:.2g}"
        cells = [
            str(number), r.fault, r.expected, r.given, _number(r.value) + error, _number(r.true),
            r.unit or "–", "; ".join(r.wrong) or "ok",
        ]  # fmt: skip
        print(f"| {' | '.join(cells)} |")
    print("\nBeyond the fault that was put in:")
    more = [f"{n}, {r.fault}: {text}" for n, r in enumerate(rows, 1) for text in r.others]
    more += [
        f"{n}, {r.fault}: not judged: {text}" for n, r in enumerate(rows, 1) for text in r.unjudged
    ]
    print("\n".join(f"- {text}" for text in more) or "nothing.")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.verdicts", description=__doc__)
    parser.add_argument("out", type=Path, help="folder for raw files, truth and products")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=20250301, help="of stars, air and noise")
    options = parser.parse_args(arguments)
    rows = judge_nights(options.out.resolve(), workers=options.workers, seed=options.seed)
    print_table(rows)
    wrong = sum(bool(r.wrong) for r in rows)
    print(f"\n{len(rows) - wrong} of {len(rows)} nights right.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
