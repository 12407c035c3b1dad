"""Are the errors of the fitted geometry right? `python -m tests.parameter_pulls [--strips 32]`.

Random small strips are simulated (by `synthetic`, which knows none of the pipeline's averages) and
reduced by the product's own code as far as the catalogue; every fitted parameter is compared with
the truth of its strip in units of its claimed error. Printed per parameter: mean pull, spread with
its standard error, and a verdict; the exit status is 1 where one falls short.
"""

import argparse
import json
import math
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from synthetic.make import make
from synthetic.scenario import (
    ROTATION_RATE,
    AmplifierSpec,
    CameraSpec,
    DetectorSpec,
    FieldSpec,
    Guess,
    Scenario,
    Seeing,
    Site,
    Sky,
    StripPlan,
    find_matched_period,
    name_night,
)

__all__ = ["NAMES", "Outcome", "build_random", "judge", "print_table", "true_parameters"]

NAMES = ("declination_deg", "clock_offset_s", "pixel_scale_arcsec", "rotation_deg")
COLUMNS = N_STAGE = 256
LINES, CLOSED_LINES = 2560, 1024
SCALE = 0.55  # arcsec/px, what the owners believe
LIMIT = 3.0  # standard errors by which mean and spread may differ from 0 and 1


@dataclass(frozen=True)
class Outcome:
    """Pulls of one parameter over n strips."""

    name: str
    n: int
    mean: float
    spread: float
    spread_err: float
    worst: float
    ok: bool


def build_random(seed: int) -> Scenario:
    """One strip of a random small telescope, and one with the shutter closed for its dark.

    Latitude of both hemispheres, columns towards either pole; line period, scale, rotation,
    pointing and clock differ at random from what the configuration says.
    """
    rng = np.random.default_rng([seed, 4711])
    latitude = float(rng.choice([-1.0, 1.0]) * rng.uniform(3.0, 65.0))
    longitude = float(rng.uniform(-180.0, 180.0))
    scale = SCALE * (1.0 + float(rng.uniform(-2e-3, 2e-3)))
    north, west = (float(v) for v in rng.uniform(-2.5, 2.5, 2) / 60.0)
    declination = latitude + north
    half = COLUMNS // 2
    camera = CameraSpec(
        columns=COLUMNS,
        n_stage=N_STAGE,
        pixel_scale=scale,
        rotation=float(rng.uniform(-0.4, 0.4)),
        column_sign=int(rng.choice([-1, 1])),
        axis_declination=declination,
        axis_hour_angle=west / math.cos(math.radians(declination)),
        line_period=find_matched_period(scale, declination) * (1 + float(rng.uniform(-2e-3, 2e-3))),
        amplifiers=(
            AmplifierSpec("A", (0, half), (COLUMNS, COLUMNS + 16), (0, half)),
            AmplifierSpec(
                "B", (half, COLUMNS), (COLUMNS + 16, COLUMNS + 32), (half, COLUMNS), gain=1.9
            ),
        ),
    )
    start = float(rng.uniform(58200.0, 60600.0))
    night = name_night(start, longitude)
    duration = LINES * camera.line_period
    science = StripPlan(
        name="open",
        night=night,
        mjd_start=start,
        n_lines=LINES,
        sky=Sky(level=300.0 / camera.exposure, twilight=8.0, twilight_time=0.15 * duration),
        seeing=Seeing(1.35, 1.65, duration),
    )
    closed = StripPlan(
        name="closed",
        night=name_night(start + (duration + 60.0) / 86400.0, longitude),
        mjd_start=start + (duration + 60.0) / 86400.0,
        n_lines=CLOSED_LINES,
        shutter_open=False,
    )
    return Scenario(
        name=f"random {seed}",
        site=Site("Nowhere (invented)", latitude, longitude, 1000.0),
        camera=camera,
        guess=Guess(pixel_scale=SCALE),
        strips=(science, closed),
        stars=FieldSpec(density=3600.0, variables=0, new=0, moving=0, reference_snr=20.0),
        detector=DetectorSpec(dust=2, hot=1),
        clock_error=float(rng.uniform(-12.0, 12.0)),
        zero_point=27.4,
        segment_lines=LINES,
        seed=seed,
    )


def true_parameters(scenario: Scenario) -> dict[str, float]:
    """What the fit should find, in its own words.

    The axis may point west of where it is believed to: that is a clock that is late by as much.
    (The fit counts the rotation from the drift about the pole of rotation, the simulator from that
    of the crust: polar motion makes a difference of 1e-4 deg, a few per cent of an error.)
    """
    camera = scenario.camera
    aside = math.radians(camera.axis_hour_angle - scenario.guess.hour_angle) / ROTATION_RATE
    return {
        "declination_deg": camera.axis_declination,
        "clock_offset_s": -scenario.clock_error - aside,
        "pixel_scale_arcsec": camera.pixel_scale,
        "rotation_deg": camera.rotation,
    }


def judge(name: str, pulls: np.ndarray) -> Outcome:
    """Mean and spread of pulls about the truth against 0 and 1."""
    n = len(pulls)
    mean, spread = float(np.mean(pulls)), float(np.std(pulls, ddof=1))
    # Of n Gaussian values of spread 1.
    spread_err = 1.0 / math.sqrt(2.0 * (n - 1))
    ok = abs(mean) <= LIMIT / math.sqrt(n) and abs(spread - 1.0) <= LIMIT * spread_err
    return Outcome(name, n, mean, spread, spread_err, float(np.max(np.abs(pulls))), ok)


def print_table(outcomes: list[Outcome]) -> None:
    """Markdown, as README shows it."""
    print("| parameter | strips | mean pull | spread | largest | verdict |")
    print("| --- | --- | --- | --- | --- | --- |")
    for o in outcomes:
        print(
            f"| {o.name} | {o.n} | {o.mean:+.2f} +- {1 / math.sqrt(o.n):.2f} | "
            f"{o.spread:.2f} +- {o.spread_err:.2f} | {o.worst:.1f} | "
            f"{'ok' if o.ok else 'falls short'} |"
        )


def reduce_strip(folder: Path) -> dict:
    """Reduce a simulated strip in this process as far as its catalogue; returns its solution."""
    from pipeline.config import load_config
    from pipeline.reduction import reduce_folder
    from pipeline.runners import InlineRunner

    config = load_config(folder / "observatory.toml")
    # Tiles are wanted in a filter in which nothing was observed: none are made.
    config = config.with_value("reference.magnitudes", {"r": "mag_r", "none": "mag_r"})
    config = config.with_value("tiles.filters", ("none",))
    config = config.with_value("products.catalogue_formats", ("parquet",))
    summary = reduce_folder(config, folder / "raw", folder / "products", runner=InlineRunner())
    paths = sorted((folder / "products" / "strips").glob("*/open/solution.json"))
    if not paths:
        raise RuntimeError(f"no solution: {summary.failures}")
    return json.loads(paths[0].read_text(encoding="utf-8"))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.parameter_pulls", description=__doc__)
    parser.add_argument("--strips", type=int, default=32, help="random strips (default 32)")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument(
        "--keep", type=Path, default=None, help="also write each strip's pulls here"
    )
    options = parser.parse_args(arguments)
    rows: list[dict] = []
    lost: list[str] = []
    for seed in range(options.first_seed, options.first_seed + options.strips):
        begin = time.monotonic()
        scenario = build_random(seed)
        folder = Path(tempfile.mkdtemp(prefix="pulls-"))
        try:
            make(scenario, folder, workers=1)
            made = time.monotonic()
            solution = reduce_strip(folder)
        finally:
            shutil.rmtree(folder)
        if "parameters" not in solution:
            lost.append(f"seed {seed}: no solution")
            print(lost[-1], file=sys.stderr, flush=True)
            continue
        true = true_parameters(scenario)
        found, error = solution["parameters"], solution["errors"]
        row = {"seed": seed, "latitude": scenario.site.latitude, "n": solution["n_stars"]}
        row |= {"chi2": solution["chi2"], "fitted": sorted(error)}
        for name in NAMES:
            if name in error:
                row[name] = (found[name] - true[name]) / error[name]
                row[f"{name} error"] = error[name]
        rows.append(row)
        print(
            f"{seed:4d} {scenario.site.latitude:+6.1f} deg {row['n']:4d} stars chi2 "
            f"{row['chi2']:.2f} pulls "
            + " ".join(f"{row[name]:+5.2f}" if name in row else "held " for name in NAMES)
            + f"  {made - begin:.0f} + {time.monotonic() - made:.0f} s",
            file=sys.stderr,
            flush=True,
        )
        if options.keep is not None:
            options.keep.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    outcomes = []
    for name in NAMES:
        pulls = np.array([row[name] for row in rows if name in row])
        if len(pulls) > 2:
            outcomes.append(judge(name, pulls))
    print_table(outcomes)
    chi2 = np.array([row["chi2"] for row in rows])
    stars = np.array([row["n"] for row in rows])
    print(
        f"\n{len(rows)} strips of {np.min(stars)} to {np.max(stars)} reference stars, reduced "
        f"chi-square {np.mean(chi2):.2f} on average; {len(lost)} without a solution."
    )
    for text in lost:
        print(text)
    return 0 if len(outcomes) == len(NAMES) and all(o.ok for o in outcomes) and not lost else 1


if __name__ == "__main__":
    sys.exit(main())
