"""Does the advice hold? `python -m tests.follow_advice OUT`: a strip, its advice, a second strip.

Strip 1 is simulated with a wrong line period and a turned camera and reduced; strip 2 is simulated
with what the advice of strip 1 says and reduced. Printed: smear along and across the scan in both
edge zones and the middle, as second moment and as full extent of the motion (without clocking):

- true: the simulator's own stars, followed through ERFA in small steps;
- predicted: from the solution of strip 1, for its settings and for the advised ones;
- measured: second moments of the catalogue's stars less those that seeing, pixel and clocking give
  by themselves, rendered from the simulator's truth and measured in the same windows.

Verdicts: predictions within 2 % of the largest true moment of strip 1 (the target for smear
moments), measured within three standard errors; and strip 2 truly as good as strip 1 was told it
could be.
"""

import argparse
import json
import math
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from pipeline.geometry.solution import StripSolution
from pipeline.stages.cutouts import stack_cutouts
from pipeline.stages.moments import measure_moments
from synthetic.camera import N_NODES, trace_paths
from synthetic.place import open_sight, to_catalogue_place
from synthetic.scenario import ARCSEC_PER_RADIAN, Scenario
from synthetic.scenarios import build_scenario
from synthetic.settings import change_settings, read_advice

__all__ = ["Row", "follow", "measured_moments", "print_table", "true_smear"]

ROOT = Path(__file__).parents[1]
ZONES = ("low edge", "centre", "high edge")
ZONE_SHARE = 0.125  # of the columns, in each zone
FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
CLOCK = 1.0 / 12.0  # px^2: charge waits a line period, then jumps a row
MIN_SNR = 40.0
TARGET = 0.02  # of the largest true moment: smear moments, predicted against measured
STEPS = 2001


@dataclass(frozen=True)
class Row:
    """Smear of one zone in one direction; moments in px^2, extents in px."""

    zone: str
    direction: str
    true1: float
    predicted1: float
    advised: float
    true2: float
    extents: tuple[float, float, float, float]
    measured1: tuple[float, float]
    measured2: tuple[float, float]
    stars: tuple[int, int]
    shortfalls: tuple[str, ...]


def zone_columns(scenario: Scenario) -> np.ndarray:
    """Middle column of each zone."""
    n = scenario.camera.columns
    half = 0.5 * ZONE_SHARE * n
    return np.array([half - 0.5, 0.5 * (n - 1), n - 0.5 - half])


def true_smear(scenario: Scenario, columns: np.ndarray) -> dict[str, np.ndarray]:
    """Moments and extents of the simulator's stars against their charge, one a column.

    Stars at many declinations are stepped through; a column's values lie between those of the two
    stars that pass nearest.
    """
    camera, plan = scenario.camera, scenario.science[0]
    seconds = 0.5 * plan.n_lines * camera.line_period
    reach = 0.6 * camera.columns * camera.pixel_scale / ARCSEC_PER_RADIAN
    declination = math.radians(camera.axis_declination) + np.linspace(-reach, reach, 41)
    hour_angle = np.full(41, math.radians(camera.axis_hour_angle))
    sight = open_sight(scenario.site, plan.mjd_start, seconds)
    ra, dec = to_catalogue_place(sight, hour_angle, declination)
    zero = np.zeros(41)
    paths = trace_paths(replace_wander(scenario), plan, ra, dec, ra_rate=zero, dec_rate=zero)
    s = np.linspace(-0.8, 0.8, 16 * STEPS)
    powers = s[:, None] ** np.arange(N_NODES)
    values = {k: np.empty(41) for k in ("column", "ll", "lc", "cc", "along", "across")}
    for i in range(41):
        x, y = powers @ paths.column[i], powers @ paths.height[i]
        on = (y >= 0) & (y <= camera.n_stage)
        line = (s * camera.n_stage + y)[on]
        x = x[on]
        moments = np.cov(np.stack([line, x]), bias=True)
        values["column"][i] = x.mean()
        values["ll"][i], values["lc"][i], values["cc"][i] = moments[np.triu_indices(2)]
        values["along"][i], values["across"][i] = np.ptp(line), np.ptp(x)
    order = np.argsort(values["column"])
    at = values["column"][order]
    return {k: np.interp(columns, at, v[order]) for k, v in values.items() if k != "column"}


def replace_wander(scenario: Scenario) -> Scenario:
    """The same without wander of the line of sight, which is no smear of the settings."""
    return replace(scenario, strips=tuple(replace(p, wander=0.0) for p in scenario.strips))


def predicted_smear(solution: StripSolution, columns: np.ndarray) -> dict[str, np.ndarray]:
    """The same from a solution of the pipeline."""
    ll, lc, cc = solution.smear(columns)
    dl, dc, _ = solution.path(columns, 100)
    along, across = np.ptp(dl, axis=1), np.ptp(dc, axis=1)
    return {"ll": ll, "lc": lc, "cc": cc, "along": along, "across": across}


def apply_advice(content: dict) -> StripSolution:
    """Solution of strip 1 with the advised settings, by the numbers of its file."""
    solution = StripSolution.from_dict(content["geometry"])
    advice = content["advice"]
    rotation = solution.parameters["rotation_deg"] + advice["rotation_change_deg"]["value"]
    turned = solution.with_parameters(rotation_deg=rotation)
    return replace(turned, line_period=advice["line_period"]["value"])


def render(covariance, d_line, d_column, fwhm, beta, half):
    """Noise-free star: Moffat seeing, an even motion of given moments, clocking, pixels.

    `covariance` (ll, lc, cc), px^2, is given to two even motions at right angles.
    """
    ll, lc, cc = covariance
    variance, axes = np.linalg.eigh([[ll, lc], [lc, cc]])
    node, weight = np.polynomial.legendre.leggauss(5)
    width = np.sqrt(12.0 * np.maximum(variance, 0.0)) / 2.0  # half extent of an even motion
    clock, clock_weight = np.polynomial.legendre.leggauss(2)
    pixel, pixel_weight = np.polynomial.legendre.leggauss(3)
    core = fwhm / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0))
    a, b, k = np.meshgrid(node, node, clock, indexing="ij")
    share = weight[:, None, None] * weight[None, :, None] * clock_weight / 8.0
    shift_l = d_line + axes[0, 0] * a * width[0] + axes[0, 1] * b * width[1] + 0.5 * k
    shift_c = d_column + axes[1, 0] * a * width[0] + axes[1, 1] * b * width[1]
    grid = (np.arange(-half, half + 1)[:, None] + 0.5 * pixel).ravel()
    fine = np.zeros((grid.size, grid.size))
    for dl, dc, w in zip(shift_l.ravel(), shift_c.ravel(), share.ravel(), strict=True):
        r2 = (grid[:, None] - dl) ** 2 + (grid[None, :] - dc) ** 2
        fine += w * (1.0 + r2 / core**2) ** -beta
    size = 2 * half + 1
    blocks = fine.reshape(size, 3, size, 3)
    return np.einsum("iajb,a,b->ij", blocks, pixel_weight / 2, pixel_weight / 2)


def measured_moments(truth, catalogue, scenario, zone, smear):
    """Smear moments (ll, cc) of one zone's stars, with errors, and how many stars.

    Each star's measured moments differ from those of a rendered star with the true smear by
    what its smear differs, diluted by the window: the derivative of the rendered moments tells by
    how much. (Only the starting point of the first-order expansion is the truth.)
    """
    known, seen = truth, catalogue
    order = np.argsort(known["line"])
    found = []
    n = scenario.camera.columns
    low = zone_columns(scenario)[zone] - 0.5 * ZONE_SHARE * n
    chosen = (seen["flags"] == 0) & (seen["snr"] > MIN_SNR) & np.isfinite(seen["mom_ll"])
    chosen &= (seen["column"] >= low) & (seen["column"] < low + ZONE_SHARE * n)
    for i in np.flatnonzero(chosen):
        first = np.searchsorted(known["line"][order], seen["line"][i] - 1.0)
        last = np.searchsorted(known["line"][order], seen["line"][i] + 1.0)
        near = order[first:last]
        near = near[np.abs(known["column"][near] - seen["column"][i]) < 1.0]
        if near.size == 0:
            continue
        star = near[np.argmax(known["flux"][near])]
        if not known["complete"][star]:
            continue
        window = seen["fwhm"][i] / FWHM_PER_SIGMA
        half = math.ceil(4.0 * window) + 1
        d_line = seen["line"][i] - round(seen["line"][i])
        d_column = seen["column"][i] - round(seen["column"][i])
        base = np.array([smear[k][zone] for k in ("ll", "lc", "cc")])
        step = 0.05
        trials = [base, base + np.array([step, 0, 0]), base + np.array([0, 0, step])]
        images = [
            render(s, d_line, d_column, known["fwhm"][star], scenario.beta, half) for s in trials
        ]
        stack = stack_cutouts(np.stack(images) * 1e6, 0.0, d_line=d_line, d_column=d_column)
        model = measure_moments(stack, window)
        values = np.stack([model.mom_ll, model.mom_cc], axis=1)
        slope = (values[1:] - values[0]).T / step
        off = np.array([seen["mom_ll"][i], seen["mom_cc"][i]]) - values[0]
        found.append(base[[0, 2]] + np.linalg.solve(slope, off))
    table = np.array(found).reshape(-1, 2)
    count = len(table)
    if count < 5:
        return np.full(2, np.nan), np.full(2, np.nan), count
    middle = np.median(table, axis=0)
    spread = 1.4826 * np.median(np.abs(table - middle), axis=0)  # Gaussian: MAD to sigma
    return middle, 1.2533 * spread / math.sqrt(count), count  # error of a Gaussian's median


def read(path: Path) -> dict[str, np.ndarray]:
    table = pq.read_table(path)
    return {name: table[name].to_numpy() for name in table.column_names}


def run(*command: str) -> None:
    """Run one of our own commands; what it prints goes to the error stream."""
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, stdout=sys.stderr, check=False
    )
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(command)}: exit status {done.returncode}")


def drop_tiles(configuration: Path) -> None:
    """Ask for tiles of a filter in which nothing is observed: none are made."""
    text = configuration.read_text(encoding="utf-8")
    text = text.replace("[reference.magnitudes]\n", '[reference.magnitudes]\nnone = "mag_r"\n')
    configuration.write_text(text + '[tiles]\nfilters = ["none"]\n', encoding="utf-8")


def make_and_reduce(out: Path, arguments: list[str], workers: int) -> Path:
    """Simulate and reduce, each in a process of its own; returns the strip's folder."""
    run("synthetic", "make", arguments[0], str(out), *arguments[1:], "--workers", str(workers))
    drop_tiles(out / "observatory.toml")
    run(
        "pipeline.cli", "reduce", str(out / "observatory.toml"), str(out / "raw"),
        str(out / "products"), "--workers", str(workers),
    )  # fmt: skip
    return min((out / "products" / "strips").glob("*/*_s01"))


def follow(
    out: Path,
    *,
    columns: int,
    lines: int,
    stages: int,
    rate_error: float,
    rotation_change: float,
    seed: int,
    workers: int,
) -> tuple[list[Row], dict]:
    """Both strips; returns the table and the advice of strip 1."""
    size = {"columns": columns, "lines": lines, "stages": stages, "seed": seed}
    plain = build_scenario("night", **size)
    period = plain.camera.line_period * (1.0 + rate_error)
    first = change_settings(plain, line_period=period, rotation_change=rotation_change)
    arguments = ["night", *(w for k, v in size.items() for w in (f"--{k}", str(v)))]
    wrong = ["--line-period", repr(period), f"--rotation-change={rotation_change!r}"]
    folder1 = make_and_reduce(out / "strip1", [*arguments, *wrong], workers)
    path = folder1 / "solution.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    follows = [*arguments, *wrong, "--advice", str(path.resolve())]
    folder2 = make_and_reduce(out / "strip2", follows, workers)
    advised_period, change = read_advice(path)
    second = change_settings(first, line_period=advised_period, rotation_change=change)
    written = json.loads((out / "strip2/truth/scenario.json").read_text(encoding="utf-8"))
    assert written["line_period_s"] == second.camera.line_period
    assert written["rotation_deg"] == second.camera.rotation
    columns_of_zones = zone_columns(first)
    true1, true2 = (true_smear(s, columns_of_zones) for s in (first, second))
    predicted1 = predicted_smear(StripSolution.from_dict(content["geometry"]), columns_of_zones)
    advised = predicted_smear(apply_advice(content), columns_of_zones)
    measured = []
    for scenario, folder, true, name in (
        (first, folder1, true1, "strip1"),
        (second, folder2, true2, "strip2"),
    ):
        truth = read(out / name / "truth" / f"{folder.name}_sources.parquet")
        catalogue = read(folder / "catalogue.parquet")
        measured.append(
            [measured_moments(truth, catalogue, scenario, z, true) for z in range(len(ZONES))]
        )
    limits = {k: TARGET * float(np.max(true1[k])) for k in ("ll", "cc")}
    rows = []
    for k, (moment, extent) in enumerate((("ll", "along"), ("cc", "across"))):
        for z, zone in enumerate(ZONES):
            (m1, e1, n1), (m2, e2, n2) = measured[0][z], measured[1][z]
            shortfalls = []
            for what, predicted, true in (
                ("strip 1 predicted", predicted1, true1),
                ("strip 2 against the advised", advised, true2),
            ):
                if abs(predicted[moment][z] - true[moment][z]) > limits[moment]:
                    shortfalls.append(what)
            for what, value, error, true in (
                ("strip 1 measured", m1[k], e1[k], true1), ("strip 2 measured", m2[k], e2[k], true2)
            ):  # fmt: skip
                if not abs(value - true[moment][z]) <= 3 * error:
                    shortfalls.append(what)
            rows.append(
                Row(
                    zone=zone,
                    direction=extent,
                    true1=float(true1[moment][z]),
                    predicted1=float(predicted1[moment][z]),
                    advised=float(advised[moment][z]),
                    true2=float(true2[moment][z]),
                    extents=tuple(float(t[extent][z]) for t in (true1, predicted1, advised, true2)),
                    measured1=(float(m1[k]), float(e1[k])),
                    measured2=(float(m2[k]), float(e2[k])),
                    stars=(n1, n2),
                    shortfalls=tuple(shortfalls),
                )
            )
    return rows, content["advice"]


def print_table(rows: list[Row]) -> None:
    """Markdown, as README shows it."""
    heads = (
        "smear", "columns", "strip 1 true", "strip 1 predicted", "strip 1 measured",
        "advised, predicted", "strip 2 true", "strip 2 measured", "stars", "verdict",
    )  # fmt: skip
    print(f"| {' | '.join(heads)} |")
    print(f"|{' --- |' * len(heads)}")
    for r in rows:
        moments = (r.true1, r.predicted1, r.advised, r.true2)
        told = [f"{m:.4f} ({e:.2f})" for m, e in zip(moments, r.extents, strict=True)]
        seen = [f"{v:+.3f} +- {e:.3f}" for v, e in (r.measured1, r.measured2)]
        cells = [
            r.direction, r.zone, told[0], told[1], seen[0], told[2], told[3], seen[1],
            f"{r.stars[0]}, {r.stars[1]}", "; ".join(r.shortfalls) or "ok",
        ]  # fmt: skip
        print(f"| {' | '.join(cells)} |")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.follow_advice", description=__doc__)
    parser.add_argument("out", type=Path, help="folder for both strips; strip1, strip2")
    parser.add_argument("--columns", type=int, default=1024)
    parser.add_argument("--lines", type=int, default=6000)
    parser.add_argument("--stages", type=int, default=1024)
    parser.add_argument("--rate-error", type=float, default=2.5e-3, help="more than the scenario's")
    parser.add_argument("--rotation-change", type=float, default=-0.3, help="deg, more than its")
    parser.add_argument("--seed", type=int, default=20250301)
    parser.add_argument("--workers", type=int, default=2)
    options = vars(parser.parse_args(arguments))
    rows, advice = follow(options.pop("out").resolve(), **options)
    print_table(rows)
    period, change = advice["line_period"], advice["rotation_change_deg"]
    print(
        "\nMoments in px^2 (full extents in px), without clocking. Advice of strip 1: line period "
        f"{period['value']:.7f} +- {period['error']:.1g} s, turn the camera by "
        f"{change['value']:+.4f} +- {change['error']:.1g} deg."
    )
    return 1 if any(r.shortfalls for r in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
