"""Speed of the resampling of a strip onto a tile, image, variance and mask together, on one core.

Run it as ``python -m tests.benchmarks.rectify`` from the top of the repository. It prints millions
of output pixels a second, and beside it a plain loop over tile pixels that sums 6 x 6 taps of image
and variance with the same weights from a table: what one would write first. The geometry is that of
a zenith-pointing telescope at 46 degrees of latitude: a tile of the sky grid at the middle and at
the edge of its chip, wholly inside or covered by the chip in part. Nothing here starts a thread.
Rates count pixels with data and seconds of the processor; on a machine with other work the ratio is
the figure to trust.
"""

import argparse
import platform
import sys
import time
from collections.abc import Callable

import numpy as np
from numba import njit

from pipeline.flags import PixelMask
from pipeline.geometry.camera import Camera
from pipeline.geometry.displacement import Displacement, make_displacement, tiles_of_strip
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.tiles import TileGrid
from pipeline.stages.resample import ResampleOptions, halo_lines, kernel_weights, resample_tile

TARGET = 40.0  # Mpix/s a core, image and variance together
PHASES = 1024  # of the plain loop's table of weights
STEP = 32  # px between nodes, as the pipeline has it
BAD_SHARE = 1e-3  # cosmic rays and stars' saturated cores, as clusters of this share of pixels


def make_solution(columns: int, latitude: float) -> StripSolution:
    """A strip of the invented telescope: slightly rotated, slightly off in scale."""
    scale = 0.55
    camera = Camera.from_arcsec(
        pixel_scale=scale * 1.001, n_columns=columns, n_stage=columns, rotation_deg=0.15
    )
    period = 1.0003 * scale / (15.041067 * np.cos(np.radians(latitude)))
    return StripSolution.first_guess(
        latitude_deg=latitude, longitude_deg=-71.3, height_m=1120.0,
        axis_declination_deg=latitude + 0.03, axis_hour_angle_deg=0.02, camera=camera,
        line_period=period, mjd_start=60737.02, n_lines=12000,
    )  # fmt: skip


def make_grids(solution: StripSolution, size: int) -> list[Displacement]:
    """Displacements of tiles across the middle of the strip."""
    half = solution.camera.n_columns / 2 * solution.camera.pixel_scale / 3600.0
    dec = solution.axis_declination_deg
    grid = TileGrid(
        dec_min_deg=dec - half - 0.25, dec_max_deg=dec + half + 0.25, size=size, overlap=64,
        pixel_scale=0.55, epoch=2025.0, column_sign=solution.camera.column_sign,
    )  # fmt: skip
    middle = solution.n_lines / 2
    tiles = tiles_of_strip(grid, solution, start_line=middle, stop_line=middle + size)
    return [make_displacement(solution, t, step=STEP, tolerance=1e-3) for t in tiles]


def make_window(
    lines: int, columns: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Noise with a few bad columns and many short clusters of bad pixels."""
    image = rng.normal(0.0, 30.0, (lines, columns)).astype(np.float32)
    variance = np.full((lines, columns), 900.0, np.float32)
    mask = np.zeros((lines, columns), np.uint16)
    mask[:, rng.integers(0, columns, max(1, columns // 500))] = int(PixelMask.DEAD)
    n = int(BAD_SHARE * image.size / 4)
    y, x = rng.integers(0, lines - 2, n), rng.integers(0, columns - 2, n)
    for dy in (0, 1):
        for dx in (0, 1):
            mask[y + dy, x + dx] |= int(PixelMask.COSMIC_RAY)
    return image, variance, mask


@njit
def plain_loop(
    image: np.ndarray,
    variance: np.ndarray,
    line: np.ndarray,
    column: np.ndarray,
    area: np.ndarray,
    table: np.ndarray,
    flux: np.ndarray,
    noise: np.ndarray,
) -> None:
    """Two-dimensional sum of 6 x 6 taps at every tile pixel; no mask, positions given."""
    n, m = image.shape
    phases = table.shape[0] - 1
    for y in range(flux.shape[0]):
        for x in range(flux.shape[1]):
            il, ic = int(np.floor(line[y, x])), int(np.floor(column[y, x]))
            if il < 2 or ic < 2 or il + 3 >= n or ic + 3 >= m:
                flux[y, x] = np.nan
                noise[y, x] = np.nan
                continue
            wl = table[int((line[y, x] - il) * phases + 0.5)]
            wc = table[int((column[y, x] - ic) * phases + 0.5)]
            total, spread = np.float32(0.0), np.float32(0.0)
            for j in range(6):
                for k in range(6):
                    w = wl[j] * wc[k]
                    total += w * image[il - 2 + j, ic - 2 + k]
                    spread += w * w * variance[il - 2 + j, ic - 2 + k]
            flux[y, x] = total * area[y, x]
            noise[y, x] = spread * area[y, x] * area[y, x]


def best_seconds(run: Callable[[], object], *, repeat: int) -> float:
    """Shortest of several runs: other work on the machine only lengthens them."""
    run()  # compiles
    taken = []
    for _ in range(repeat):
        begin = time.process_time()
        run()
        taken.append(time.process_time() - begin)
    return min(taken)


def measure(columns: int, size: int, latitude: float, *, repeat: int) -> list[tuple[str, float]]:
    """Rate of the pipeline and of the plain loop for tiles across a chip, Mpix/s."""
    solution = make_solution(columns, latitude)
    grids = make_grids(solution, size)
    reach = halo_lines()
    low = max(0, min(int(np.floor(g.line.min())) for g in grids) - reach)
    high = max(int(np.ceil(g.line.max())) for g in grids) + reach + 1
    image, variance, mask = make_window(high - low, columns, np.random.default_rng(1))
    table = np.ascontiguousarray(kernel_weights(np.linspace(0, 1, PHASES + 1)).T.astype(np.float32))
    of_line, of_column = np.ones(high - low), np.ones(columns)
    y, x = np.mgrid[:size, :size].astype(float)
    rows: list[tuple[str, float]] = []
    ours, plain, pixels = 0.0, 0.0, 0

    for grid in grids:

        def pipeline(grid: Displacement = grid) -> object:
            return resample_tile(
                image, variance, mask, first_line=low, grid_line=grid.line,
                grid_column=grid.column, grid_area=grid.area, step=grid.step,
                shape=(size, size), scale_of_line=of_line, scale_of_column=of_column,
                options=ResampleOptions(),
            )  # fmt: skip

        made = pipeline()
        filled = int(np.count_nonzero(np.isfinite(made.flux)))  # type: ignore[attr-defined]
        line, column, area = (a.astype(np.float32) for a in grid.evaluate(x, y))
        line -= np.float32(low)
        flux, noise = np.empty((2, size, size), np.float32)
        seconds = best_seconds(pipeline, repeat=repeat)
        other = best_seconds(
            lambda a=(line, column, area, table, flux, noise): plain_loop(image, variance, *a),  # type: ignore[misc]
            repeat=repeat,
        )
        rows.append((f"tile with {100 * filled / size**2:5.1f} % data", filled / seconds / 1e6))
        ours, plain, pixels = ours + seconds, plain + other, pixels + filled
    rows.append(("all tiles across the chip", pixels / ours / 1e6))
    rows.append(("plain loop, the same tiles, no mask", pixels / plain / 1e6))
    return rows


def main(arguments: list[str] | None = None) -> int:
    """Print the table; exit status 1 where the target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--size", type=int, default=1024, help="side of a tile, px")
    parser.add_argument("--columns", type=int, nargs="+", default=[1024, 2048, 4096])
    parser.add_argument("--latitude", type=float, default=-46.2)
    parser.add_argument("--repeat", type=int, default=7)
    asked = parser.parse_args(arguments)
    print(f"{platform.machine()}, one thread, numpy {np.__version__}; target {TARGET:g} Mpix/s")
    worst = np.inf
    for columns in asked.columns:
        rows = measure(columns, asked.size, asked.latitude, repeat=asked.repeat)
        print(f"chip of {columns} columns, tiles of {asked.size} px")
        for label, rate in rows:
            print(f"  {label:38s} {rate:7.1f} Mpix/s of image, variance and mask")
        ours, plain = rows[-2][1], rows[-1][1]
        print(f"  {'ratio to the plain loop':38s} {ours / plain:7.2f}")
        worst = min(worst, ours)
    print(f"slowest chip: {worst:.1f} Mpix/s, {'ok' if worst >= TARGET else 'BELOW TARGET'}")
    return 0 if worst >= TARGET else 1


if __name__ == "__main__":
    sys.exit(main())
