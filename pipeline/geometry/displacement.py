"""Where the pixels of a tile lie in a strip: a coarse grid for the resampler, with a bound.

Between nodes the grid is interpolated bilinearly. For a map f with second derivatives bounded on
a cell of step h, the error of bilinear interpolation is at most
``h^2 / 8 (max |f_xx| + max |f_yy|)``: along each edge linear interpolation errs by at most
``h^2 / 8 max |f''|`` and the two directions add. Strips bend so little (some 1e-6 per pixel
squared) that this is below 1e-3 px at a step of 32 px; `make_displacement` measures the second
derivatives on the grid itself and halves the step where the bound asks for it.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import SolutionError
from pipeline.geometry.camera import FloatArray
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.tiles import Tile, TileGrid

__all__ = ["Displacement", "make_displacement", "tiles_of_strip"]

SMALLEST_STEP = 2
OUTLINE_POINTS = 16


@dataclass(frozen=True, eq=False)
class Displacement:
    """Line and column of a tile's pixels on a coarse grid.

    Attributes
    ----------
    step : int
        Node spacing, pixels; node ``[j, i]`` lies at tile pixel ``y = j step, x = i step``.
    line, column : ndarray of shape (ny, nx)
        Strip pixels at the nodes.
    area : ndarray of shape (ny, nx)
        Strip pixels per tile pixel (area), to conserve flux.
    error_bound : float
        Largest error of bilinear interpolation of `line` and `column`, strip pixels.
    """

    step: int
    line: FloatArray = field(repr=False)
    column: FloatArray = field(repr=False)
    area: FloatArray = field(repr=False)
    error_bound: float

    def evaluate(self, x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Bilinear interpolation of the grid.

        Parameters
        ----------
        x, y : array_like
            Tile pixel coordinates, 0-based, within the grid.

        Returns
        -------
        line, column, area : ndarray
        """
        u = np.asarray(x, np.float64) / self.step
        v = np.asarray(y, np.float64) / self.step
        ny, nx = self.line.shape
        i = np.clip(np.floor(u).astype(np.int64), 0, nx - 2)
        j = np.clip(np.floor(v).astype(np.int64), 0, ny - 2)
        s, t = u - i, v - j
        out = []
        for grid in (self.line, self.column, self.area):
            low = grid[j, i] * (1 - s) + grid[j, i + 1] * s
            high = grid[j + 1, i] * (1 - s) + grid[j + 1, i + 1] * s
            out.append(low * (1 - t) + high * t)
        return out[0], out[1], out[2]


def _bound(grid: FloatArray) -> float:
    """Bound on the bilinear error from second differences, which are ``h^2 f''``."""
    along_x = np.max(np.abs(np.diff(grid, 2, axis=1)), initial=0.0)
    along_y = np.max(np.abs(np.diff(grid, 2, axis=0)), initial=0.0)
    return float(along_x + along_y) / 8.0


def make_displacement(
    solution: StripSolution, tile: Tile, *, step: int, tolerance: float
) -> Displacement:
    """Displacement grid of a tile against a strip.

    Parameters
    ----------
    solution : StripSolution
    tile : Tile
    step : int
        Node spacing to begin with, pixels; halved until the bound meets `tolerance`.
    tolerance : float
        Largest interpolation error, strip pixels.

    Returns
    -------
    Displacement
        The grid covers all pixels of the tile (its last nodes may lie beyond).

    Raises
    ------
    ValueError
        If `step` or `tolerance` is out of range.
    SolutionError
        If part of the tile lies so far off the chip that the strip's map does not reach it, or
        the map is too rough for the tolerance.
    """
    if step < SMALLEST_STEP:
        raise ValueError(f"step must be at least {SMALLEST_STEP} px, got {step}")
    if not tolerance > 0:
        raise ValueError(f"tolerance must be positive (px), got {tolerance}")
    while True:
        n = max(3, -(-(tile.size - 1) // step) + 1)
        nodes = np.arange(-1, n + 1) * float(step)  # one node more all round, for derivatives
        x, y = np.meshgrid(nodes, nodes)
        line, column = solution.sky_to_strip(*tile.pixel_to_sky(x, y))
        if not np.all(np.isfinite(column)):
            raise SolutionError(
                f"tile {tile.name} reaches beyond the declinations that the strip's map covers; "
                "use smaller tiles or a band of declination closer to the strip"
            )
        bound = max(_bound(line), _bound(column))
        if bound <= tolerance:
            break
        if step // 2 < SMALLEST_STEP:
            raise SolutionError(
                f"the map from tile {tile.name} to the strip bends too much: error {bound:.2g} px "
                f"at a step of {step} px, {tolerance:g} px allowed; raise the tolerance"
            )
        step //= 2
    half = 1.0 / (2.0 * step)
    line_x = (line[1:-1, 2:] - line[1:-1, :-2]) * half
    line_y = (line[2:, 1:-1] - line[:-2, 1:-1]) * half
    column_x = (column[1:-1, 2:] - column[1:-1, :-2]) * half
    column_y = (column[2:, 1:-1] - column[:-2, 1:-1]) * half
    inner = (slice(1, -1), slice(1, -1))
    return Displacement(
        step=step,
        line=np.ascontiguousarray(line[inner]),
        column=np.ascontiguousarray(column[inner]),
        area=np.abs(line_y * column_x - line_x * column_y),
        error_bound=bound,
    )


def tiles_of_strip(
    grid: TileGrid, solution: StripSolution, *, start_line: float, stop_line: float
) -> list[Tile]:
    """Tiles that a range of lines touches.

    Parameters
    ----------
    grid : TileGrid
    solution : StripSolution
    start_line, stop_line : float
        Half-open range of lines.

    Returns
    -------
    list of Tile
        Those whose outline, taken as a box in the strip, overlaps the range and the columns.
    """
    # Neighbouring points of the outline less than a degree or so apart.
    n = int(min(2000, max(16, (stop_line - start_line) * solution.line_period / 240.0)))
    outline = solution.footprint(n, start_line=start_line, stop_line=stop_line)
    tiles = list(grid.tiles_overlapping(*outline))
    if not tiles:
        return []
    ra, dec = np.array([tile.outline(OUTLINE_POINTS) for tile in tiles]).transpose(1, 0, 2)
    line, column = (
        a.reshape(ra.shape) for a in solution.sky_to_strip(ra.ravel(), dec.ravel())
    )  # fmt: skip
    last = solution.camera.n_columns - 0.5
    found = []
    for tile, l, c in zip(tiles, line, column, strict=True):
        if not np.any(np.isfinite(c)):
            continue
        touches_lines = np.nanmax(l) >= start_line - 0.5 and np.nanmin(l) <= stop_line - 0.5
        if touches_lines and np.nanmax(c) >= -0.5 and np.nanmin(c) <= last:
            found.append(tile)
    return found
