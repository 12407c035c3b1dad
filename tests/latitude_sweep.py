"""Curvature over latitude, predicted and simulated: `python -m tests.latitude_sweep`.

Predicted: the averages of `pipeline.geometry` over a star's transit, by quadrature in declination.
Simulated: `synthetic` follows the same stars through ERFA and drops their charge in sub-steps of
every clock period; it knows none of those averages. A square field, its line period matched and
its columns along the drift on the axis; everything in pixels of an arcsecond.

Shifts are counted from where a flat sky would put the star: column `c0 + (d - d0)/scale`, line
`t/tau + n_stage/2` for a star that passes the axis at time `t`. Smear is the full extent of the
motion against the charge, without the clocking. The exposure factor is crossing time over `T0`.
"""

import argparse
import math
import sys
from dataclasses import replace

import numpy as np

from pipeline.geometry.camera import Camera
from pipeline.geometry.solution import StripSolution
from synthetic.camera import N_NODES, trace_paths
from synthetic.clocking import TRUTH_COLUMNS
from synthetic.place import open_sight, to_catalogue_place
from synthetic.plain import build_plain
from synthetic.scenario import ARCSEC_PER_RADIAN
from synthetic.segment import expose_stars, strip_weather

__all__ = ["LATITUDES", "QUANTITIES", "print_table", "sweep"]

LATITUDES = (0.0, 20.0, 45.0, 65.0, -20.0, -45.0, -65.0)
N = 1024  # rows that integrate, and columns
SCALE = 1.0  # arcsec/px: a field of 17 arcmin
MJD = 60737.1
LONGITUDE = 25.0
N_LINES = 3 * N
PLACES = ("south", "centre", "north")
SUB_STEPS = 4001  # of a crossing, for the extents
# Gauss-Legendre nodes of the predicted path: the outermost lie 2e-5 of the crossing off its ends.
PATH_NODES = 400

# Name, unit, and the places at which it is told.
QUANTITIES = (
    ("column shift", "px", ("south", "north")),
    ("line shift", "px", ("south", "north")),
    ("smear along", "px", PLACES),
    ("smear across", "px", PLACES),
    ("exposure factor", "", ("south", "north")),
)

Values = dict[str, np.ndarray]  # by quantity, one value a place


def evaluate(paths, seconds, exposure):
    """Column and height of every star, shape (stars, times)."""
    s = (seconds - paths.centre[:, None]) / exposure
    powers = s[..., None] ** np.arange(N_NODES)
    return (
        np.einsum("stk,sk->st", powers, paths.column),
        np.einsum("stk,sk->st", powers, paths.height),
    )


def cross(paths, star, exposure, target):
    """Seconds at which a star is at a height, by bisection: the height only falls."""
    low, high = paths.centre[star] - exposure, paths.centre[star] + exposure
    one = replace(
        paths,
        **{k: getattr(paths, k)[star : star + 1] for k in ("centre", "column", "height")},
    )
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = evaluate(one, np.array([[middle]]), exposure)[1][0, 0] > target
        low, high = (middle, high) if above else (low, middle)
    return 0.5 * (low + high)


def place_stars(scenario, seconds):
    """ICRS (rad) and declination of stars on the axis' meridian at both edges and the centre."""
    camera = scenario.camera
    half = math.atan(0.5 * (camera.columns - 1) * camera.pixel_scale / ARCSEC_PER_RADIAN)
    declination = math.radians(camera.axis_declination) + np.array([-half, 0.0, half])
    hour_angle = np.full(3, math.radians(camera.axis_hour_angle))
    sight = open_sight(scenario.site, scenario.strips[0].mjd_start, seconds)
    return *to_catalogue_place(sight, hour_angle, declination), declination


def trace(scenario, ra, dec):
    zero = np.zeros(len(ra))
    return trace_paths(scenario, scenario.strips[0], ra, dec, ra_rate=zero, dec_rate=zero)


def build(latitude, rotation, rate_error):
    """A plain scenario with the camera turned along the drift, then by `rotation`.

    Polar motion and the Earth's own speed turn the drift by a third of an arcsecond, 2e-3 px over
    the chip: taken out as an observer would, by turning the camera until the star on the axis
    leaves in the column where it entered. Prediction and simulation do so each by its own means.
    """
    scenario = build_plain(
        latitude=latitude,
        longitude=LONGITUDE,
        columns=N,
        n_stage=N,
        pixel_scale=SCALE,
        n_lines=N_LINES,
        mjd_start=MJD,
        rate_error=rate_error,
    )
    camera = scenario.camera
    ra, dec, _ = place_stars(scenario, 0.5 * N_LINES * camera.line_period)
    paths = trace(scenario, ra, dec)
    ends = [cross(paths, 1, camera.exposure, h) for h in (float(N), 0.0)]
    x, y = evaluate(paths, np.array([ends]), camera.exposure)
    along = math.degrees(math.atan((x[1, 1] - x[1, 0]) / (y[1, 1] - y[1, 0])))
    return replace(scenario, camera=replace(camera, rotation=along + rotation))


def flat_sky(scenario, declination, seconds):
    """Column and line of a flat sky that drifts evenly."""
    camera = scenario.camera
    step = (declination - math.radians(camera.axis_declination)) * ARCSEC_PER_RADIAN
    column = camera.centre[0] + step / camera.pixel_scale
    return column, seconds / camera.line_period + 0.5 * camera.n_stage


def simulate(scenario) -> Values:
    """What the simulator's stars do, step by step."""
    camera = scenario.camera
    seconds = 0.5 * N_LINES * camera.line_period
    ra, dec, declination = place_stars(scenario, seconds)
    paths = trace(scenario, ra, dec)
    image = np.zeros((N_LINES, N))
    weather = strip_weather(scenario, scenario.strips[0], 0)
    table = expose_stars(
        image, 0, scenario=scenario, weather=weather, paths=paths, mag=np.full(3, 15.0)
    )
    truth = {name: table[:, i] for i, name in enumerate(TRUTH_COLUMNS)}
    extents = []
    for star in range(3):
        ends = [cross(paths, star, camera.exposure, h) for h in (float(N), 0.0)]
        t = np.broadcast_to(np.linspace(*ends, SUB_STEPS), (3, SUB_STEPS))
        x, y = evaluate(paths, t, camera.exposure)
        line = t[star] / camera.line_period + y[star]
        extents.append((np.ptp(line), np.ptp(x[star])))
    column, line = flat_sky(scenario, declination, seconds)
    return {
        "column shift": truth["column"] - column,
        "line shift": truth["line"] - line,
        "smear along": np.array([e[0] for e in extents]),
        "smear across": np.array([e[1] for e in extents]),
        "exposure factor": truth["exposure"] / camera.exposure,
        "ll": truth["mom_ll"],
        "lc": truth["mom_lc"],
        "cc": truth["mom_cc"],
    }


def predict(scenario, rotation) -> Values:
    """The same from the pipeline's averages, for the same catalogue places."""
    camera, site, plan = scenario.camera, scenario.site, scenario.strips[0]
    seconds = 0.5 * N_LINES * camera.line_period
    ra, dec, declination = place_stars(scenario, seconds)
    solution = StripSolution.first_guess(
        latitude_deg=site.latitude,
        longitude_deg=site.longitude,
        height_m=site.height,
        axis_declination_deg=camera.axis_declination,
        axis_hour_angle_deg=camera.axis_hour_angle,
        camera=Camera.from_arcsec(pixel_scale=camera.pixel_scale, n_columns=N, n_stage=N),
        line_period=camera.line_period,
        mjd_start=plan.mjd_start,
        n_lines=plan.n_lines,
    )
    trail = float(solution.strip_map.evaluate("trail", declination[1]))
    along = math.degrees(math.atan(trail / N))
    solution = solution.with_parameters(rotation_deg=rotation - along)
    line, column = solution.sky_to_strip(np.degrees(ra), np.degrees(dec))
    flat_column, flat_line = flat_sky(scenario, declination, seconds)
    dl, dc, _ = solution.path(column, PATH_NODES)
    ll, lc, cc = solution.smear(column, boxcar=True)
    return {
        "column shift": column - flat_column,
        "line shift": line - flat_line,
        "smear along": np.ptp(dl, axis=1),
        "smear across": np.ptp(dc, axis=1),
        "exposure factor": solution.exposure_ratio(column),
        "ll": ll,
        "lc": lc,
        "cc": cc,
    }


def sweep(latitudes=LATITUDES, *, rotation=0.0, rate_error=0.0) -> dict[float, tuple]:
    """Predicted and simulated values by latitude.

    Parameters
    ----------
    latitudes : sequence of float
        Deg; the axis is the zenith.
    rotation : float
        Of the camera against the drift, deg.
    rate_error : float
        Line period over the matched one, minus 1.
    """
    found = {}
    for latitude in latitudes:
        scenario = build(latitude, rotation, rate_error)
        found[latitude] = (predict(scenario, rotation), simulate(scenario))
    return found


def print_table(found) -> None:
    """Markdown, as README shows it."""
    heads = [
        f"{name}, {place}{f' ({unit})' if unit else ''}"
        for name, unit, places in QUANTITIES
        for place in places
    ]
    print(f"| latitude | | {' | '.join(heads)} |")
    print(f"| --- | --- |{' --- |' * len(heads)}")
    for latitude, (predicted, simulated) in found.items():
        for label in ("predicted", "simulated", "difference"):
            cells = []
            for name, _, places in QUANTITIES:
                digits = 6 if name == "exposure factor" else 4
                for place in places:
                    at = PLACES.index(place)
                    p, s = float(predicted[name][at]), float(simulated[name][at])
                    value = {"predicted": p, "simulated": s, "difference": p - s}[label]
                    sign = "+" if label == "difference" or "shift" in name else ""
                    text = f"{value:{sign}.{digits}f}"
                    cells.append(text.replace("-", "+") if float(text) == 0 else text)
            print(f"| {latitude:+.0f} | {label} | {' | '.join(cells)} |")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.latitude_sweep", description=__doc__)
    parser.add_argument("--rotation", type=float, default=0.0, help="of the camera, deg")
    parser.add_argument("--rate-error", type=float, default=0.0, help="of the line period")
    options = parser.parse_args(arguments)
    print_table(sweep(rotation=options.rotation, rate_error=options.rate_error))
    return 0


if __name__ == "__main__":
    sys.exit(main())
