"""The fixed sky grid: gnomonic tiles in ICRS, turned to the drift, each with a core of its own.

Tiles are arranged in rings of declination of the mean equator of one *grid epoch*; each ring is
cut into equal cells of right ascension. The cells partition the band exactly and are the tiles'
*cores*; the image of a tile reaches beyond its core on all sides. Nothing depends on any strip.
"""

from dataclasses import dataclass
from functools import cached_property

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.geometry.camera import ARCSEC_PER_RADIAN, FloatArray
from pipeline.geometry.wcs import project_tangent, unproject_tangent

__all__ = ["Tile", "TileGrid", "project_tangent", "unproject_tangent"]

JULIAN_YEAR = 365.25
J2000 = 2451545.0
TWO_PI = 2.0 * np.pi
POLE_LIMIT_DEG = 85.0
NAME_STEP = 0.01  # deg, resolution of the names


@dataclass(frozen=True)
class Tile:
    """One tile: a square gnomonic image on the sky.

    Array index ``[y, x]``: `y` runs with the lines (to the east), `x` with the columns.

    Attributes
    ----------
    name : str
    ra_deg, dec_deg : float
        ICRS of the centre, degrees.
    size : int
        Pixels a side.
    pixel_scale : float
        Arcseconds per pixel at the centre.
    angle_deg : float
        Position angle (ICRS, north through east) of the direction of the equator's pole at the
        grid epoch, degrees: the drift runs at right angles to it.
    column_sign : {+1, -1}
        +1 where `x` grows to the north.
    """

    name: str
    ra_deg: float
    dec_deg: float
    size: int
    pixel_scale: float
    angle_deg: float
    column_sign: int

    @property
    def centre(self) -> float:
        """0-based pixel coordinate of the centre, the same in `x` and `y`."""
        return 0.5 * (self.size - 1)

    def _matrix(self) -> FloatArray:
        """Standard coordinates (east, north) per pixel (x, y), radians."""
        scale = self.pixel_scale / ARCSEC_PER_RADIAN
        cos, sin = np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))
        # x points to the pole (times the sign), y a quarter turn further east.
        return scale * np.array([[self.column_sign * sin, cos], [self.column_sign * cos, -sin]])

    def pixel_to_sky(self, x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """ICRS of pixel coordinates.

        Parameters
        ----------
        x, y : array_like
            0-based pixel coordinates; `x` along rows of the array.

        Returns
        -------
        ra_deg, dec_deg : ndarray
            Degrees.
        """
        m = self._matrix()
        dx = np.asarray(x, np.float64) - self.centre
        dy = np.asarray(y, np.float64) - self.centre
        ra, dec = unproject_tangent(
            m[0, 0] * dx + m[0, 1] * dy,
            m[1, 0] * dx + m[1, 1] * dy,
            ra0=np.radians(self.ra_deg),
            dec0=np.radians(self.dec_deg),
        )
        return np.degrees(ra), np.degrees(dec)

    def sky_to_pixel(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Pixel coordinates of ICRS: the inverse of `pixel_to_sky`.

        Parameters
        ----------
        ra_deg, dec_deg : array_like
            Degrees.

        Returns
        -------
        x, y : ndarray
            0-based; NaN on the far hemisphere.
        """
        east, north = project_tangent(
            np.radians(np.asarray(ra_deg, np.float64)),
            np.radians(np.asarray(dec_deg, np.float64)),
            ra0=np.radians(self.ra_deg),
            dec0=np.radians(self.dec_deg),
        )
        inverse = np.linalg.inv(self._matrix())
        return (
            self.centre + inverse[0, 0] * east + inverse[0, 1] * north,
            self.centre + inverse[1, 0] * east + inverse[1, 1] * north,
        )

    def outline(self, n: int) -> tuple[FloatArray, FloatArray]:
        """Outer edge of the image, ``n`` points a side, in order, not closed.

        Returns
        -------
        ra_deg, dec_deg : ndarray of shape (4 n,)
        """
        t = np.linspace(-0.5, self.size - 0.5, n, endpoint=False)
        back = self.size - 1.0 - t
        low, high = np.full(n, -0.5), np.full(n, self.size - 0.5)
        return self.pixel_to_sky(
            np.concatenate([t, high, back, low]), np.concatenate([low, t, high, back])
        )

    def header_cards(self) -> dict[str, str | int | float]:
        """Celestial WCS keywords, in the FITS convention (1-based pixel centres).

        Returns
        -------
        dict
            Keyword to value.

        References
        ----------
        Greisen & Calabretta 2002, A&A 395, 1061; Calabretta & Greisen 2002, A&A 395, 1077.
        """
        cd = np.degrees(self._matrix())
        return {
            "WCSAXES": 2,
            "CTYPE1": "RA---TAN",
            "CTYPE2": "DEC--TAN",
            "CUNIT1": "deg",
            "CUNIT2": "deg",
            "CRPIX1": self.centre + 1.0,
            "CRPIX2": self.centre + 1.0,
            "CRVAL1": self.ra_deg,
            "CRVAL2": self.dec_deg,
            "CD1_1": float(cd[0, 0]),
            "CD1_2": float(cd[0, 1]),
            "CD2_1": float(cd[1, 0]),
            "CD2_2": float(cd[1, 1]),
            "LONPOLE": 180.0,
            "LATPOLE": self.dec_deg,
            "RADESYS": "ICRS",
        }


@dataclass(frozen=True)
class TileGrid:
    """All tiles of a band of declination.

    Parameters
    ----------
    dec_min_deg, dec_max_deg : float
        The band, mean equator of the grid epoch, degrees. Widened about its middle to a whole
        number of rings.
    size : int
        Pixels a side of a tile.
    overlap : int
        Pixels by which a tile reaches beyond its core, at least, on each side.
    pixel_scale : float
        Arcseconds per pixel: the camera's.
    epoch : float
        Julian year of the equator to which the tiles are turned.
    column_sign : {+1, -1}, optional
        The camera's.

    Raises
    ------
    ValueError
        If a number is out of range, or the overlap is too small for the curvature of the
        declination circles.
    """

    dec_min_deg: float
    dec_max_deg: float
    size: int
    overlap: int
    pixel_scale: float
    epoch: float
    column_sign: int = 1

    def __post_init__(self) -> None:
        if not -90.0 <= self.dec_min_deg < self.dec_max_deg <= 90.0:
            raise ValueError(
                "tiles: dec_min_deg must be below dec_max_deg within -90 to 90, got "
                f"{self.dec_min_deg} and {self.dec_max_deg}"
            )
        if not self.pixel_scale > 0:
            raise ValueError(f"tiles.pixel_scale must be positive (arcsec), got {self.pixel_scale}")
        if self.overlap < 1 or self.size - 2 * self.overlap < 8:
            raise ValueError(
                "tiles.overlap must be at least 1 and leave a core of at least 8 px, got "
                f"size {self.size} and overlap {self.overlap}"
            )
        if self.column_sign not in (1, -1):
            raise ValueError(f"tiles.column_sign must be 1 or -1, got {self.column_sign}")
        if not 1900.0 <= self.epoch <= 2200.0:
            raise ValueError(f"tiles.epoch must be a Julian year 1900 to 2200, got {self.epoch}")
        edge = max(abs(self.ring_edges[0]), abs(self.ring_edges[-1]))
        if edge > np.radians(POLE_LIMIT_DEG):
            raise ValueError(
                f"tiles must stay within {POLE_LIMIT_DEG:g} degrees of the equator, the band "
                f"reaches {np.degrees(edge):.3f}"
            )
        if self._core < 2.0 * np.radians(NAME_STEP):
            raise ValueError(
                f"tiles.size: a core must span at least {2 * NAME_STEP:g} degrees for the tiles' "
                f"names, got {np.degrees(self._core):.4f}"
            )
        self._check_overlap()

    def _check_overlap(self) -> None:
        """The core of every ring's tiles must lie within their image, with a pixel to spare."""
        for ring in range(self.n_rings):
            tile = self.tile(ring, 0)
            t = np.linspace(0.0, 1.0, 9)
            width = TWO_PI / self.cells(ring)
            low, high = self.ring_edges[ring], self.ring_edges[ring + 1]
            ra_e = np.concatenate([t * width, t * width])
            dec_e = np.concatenate([np.full(9, low), np.full(9, high)])
            x, y = tile.sky_to_pixel(*self._from_grid(ra_e, dec_e))
            reach = float(np.max(np.abs(np.concatenate([x, y]) - tile.centre)))
            spare = 0.5 * self.size - reach
            if spare < 1.0:
                raise ValueError(
                    f"tiles.overlap = {self.overlap} px is too small: declination circles curve "
                    f"so much that a core leaves its tile by {1.0 - spare:.1f} px; increase it"
                )

    @property
    def _core(self) -> float:
        return (self.size - 2 * self.overlap) * self.pixel_scale / ARCSEC_PER_RADIAN

    @cached_property
    def ring_edges(self) -> FloatArray:
        """Declinations that bound the rings, mean equator of the grid epoch, radians."""
        low, high = np.radians(self.dec_min_deg), np.radians(self.dec_max_deg)
        n = max(1, int(np.ceil((high - low) / self._core - 1e-9)))
        return np.asarray(0.5 * (low + high) + self._core * (np.arange(n + 1) - 0.5 * n))

    @property
    def n_rings(self) -> int:
        """Number of rings of tiles."""
        return len(self.ring_edges) - 1

    def cells(self, ring: int) -> int:
        """Number of tiles in a ring."""
        edges = self.ring_edges[ring : ring + 2]
        nearest = 0.0 if edges[0] < 0 < edges[1] else float(np.min(np.abs(edges)))
        return int(np.ceil(TWO_PI * np.cos(nearest) / self._core))

    @cached_property
    def _precession(self) -> FloatArray:
        """Rotation from ICRS to the mean equator and equinox of the grid epoch."""
        return np.asarray(erfa.pmat06(J2000, (self.epoch - 2000.0) * JULIAN_YEAR))

    def _to_grid(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        ra, dec = np.broadcast_arrays(
            np.radians(np.asarray(ra_deg, np.float64)), np.radians(np.asarray(dec_deg, np.float64))
        )
        vector = erfa.s2c(ra, dec) @ self._precession.T
        ra_e, dec_e = erfa.c2s(vector)
        return np.asarray(ra_e % TWO_PI), np.asarray(dec_e)

    def _from_grid(self, ra_e: ArrayLike, dec_e: ArrayLike) -> tuple[FloatArray, FloatArray]:
        vector = erfa.s2c(*np.broadcast_arrays(ra_e, dec_e)) @ self._precession
        ra, dec = erfa.c2s(vector)
        return np.degrees(np.asarray(ra)) % 360.0, np.degrees(np.asarray(dec))

    def tile(self, ring: int, cell: int) -> Tile:
        """Tile of a ring and a cell.

        Parameters
        ----------
        ring, cell : int
            ``0 <= ring < n_rings``, ``0 <= cell < cells(ring)``.

        Returns
        -------
        Tile

        Raises
        ------
        ValueError
            If an index is out of range.
        """
        if not 0 <= ring < self.n_rings:
            raise ValueError(f"ring must be 0 to {self.n_rings - 1}, got {ring}")
        n = self.cells(ring)
        if not 0 <= cell < n:
            raise ValueError(f"cell must be 0 to {n - 1}, got {cell}")
        ra_e = TWO_PI * (cell + 0.5) / n
        dec_e = 0.5 * float(self.ring_edges[ring] + self.ring_edges[ring + 1])
        ra, dec = self._from_grid(ra_e, dec_e)
        a, d = np.radians(float(ra)), np.radians(float(dec))
        pole = self._precession[2]
        east = -np.sin(a) * pole[0] + np.cos(a) * pole[1]
        north = -np.sin(d) * (np.cos(a) * pole[0] + np.sin(a) * pole[1]) + np.cos(d) * pole[2]
        return Tile(
            name=self._name(ra_e, dec_e),
            ra_deg=float(ra),
            dec_deg=float(dec),
            size=self.size,
            pixel_scale=self.pixel_scale,
            angle_deg=float(np.degrees(np.arctan2(east, north))),
            column_sign=self.column_sign,
        )

    @staticmethod
    def _name(ra_e: float, dec_e: float) -> str:
        """Centre in hundredths of a degree at the grid epoch.

        ``r12034s4620`` is right ascension 120.34, declination -46.20.
        """
        ra = round(np.degrees(ra_e) / NAME_STEP) % round(360.0 / NAME_STEP)
        dec = round(np.degrees(dec_e) / NAME_STEP)
        return f"r{ra:05d}{'s' if dec < 0 else 'n'}{abs(dec):04d}"

    def core_index(
        self, ra_deg: ArrayLike, dec_deg: ArrayLike
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Ring and cell whose core holds each position.

        Parameters
        ----------
        ra_deg, dec_deg : array_like
            ICRS, degrees.

        Returns
        -------
        ring, cell : ndarray of int
            Exactly one core for every position in the band; -1 and -1 outside it.
        """
        ra_e, dec_e = self._to_grid(ra_deg, dec_deg)
        ring = np.searchsorted(self.ring_edges, dec_e, side="right") - 1
        inside = (ring >= 0) & (ring < self.n_rings)
        counts = np.array([self.cells(r) for r in range(self.n_rings)])
        n = counts[np.clip(ring, 0, self.n_rings - 1)]
        cell = np.minimum((ra_e / TWO_PI * n).astype(np.int64), n - 1)
        return np.where(inside, ring, -1), np.where(inside, cell, -1)

    def in_core(self, tile: Tile, ra_deg: ArrayLike, dec_deg: ArrayLike) -> NDArray[np.bool_]:
        """Whether positions belong to the core of a tile.

        Parameters
        ----------
        tile : Tile
            Of this grid.
        ra_deg, dec_deg : array_like
            ICRS, degrees.

        Returns
        -------
        ndarray of bool
        """
        own_ring, own_cell = self.core_index(tile.ra_deg, tile.dec_deg)
        ring, cell = self.core_index(ra_deg, dec_deg)
        return np.asarray((ring == own_ring) & (cell == own_cell))

    def tiles_overlapping(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> list[Tile]:
        """Tiles that a region may touch.

        The region is taken as the box of right ascension and declination (grid epoch) about its
        outline: no tile is missed, a few at the corners may turn out empty.

        Parameters
        ----------
        ra_deg, dec_deg : array_like of shape (n,)
            Outline, ICRS, degrees, in order, neighbours less than 180 degrees apart; need not be
            closed. `StripSolution.footprint` and `Tile.outline` give such outlines.

        Returns
        -------
        list of Tile
            By ring, then by right ascension.

        Raises
        ------
        ValueError
            If the outline is empty or not finite.
        """
        ra_e, dec_e = self._to_grid(ra_deg, dec_deg)
        if ra_e.ndim != 1 or len(ra_e) == 0 or not np.all(np.isfinite(ra_e + dec_e)):
            raise ValueError(
                "the outline must be a one-dimensional list of finite positions, got "
                f"{np.size(ra_e)} points"
            )
        ra_e = np.unwrap(ra_e)
        # Half a tile's diagonal beyond its centre, plus the curvature allowed by the overlap.
        reach = 0.5 * np.sqrt(2.0) * self.size * self.pixel_scale / ARCSEC_PER_RADIAN
        found = []
        for ring in range(self.n_rings):
            middle = 0.5 * (self.ring_edges[ring] + self.ring_edges[ring + 1])
            if not np.min(dec_e) - reach <= middle <= np.max(dec_e) + reach:
                continue
            n = self.cells(ring)
            wide = reach / np.cos(min(abs(middle) + reach, np.radians(89.0)))
            first = int(np.ceil((np.min(ra_e) - wide) / TWO_PI * n - 0.5))
            last = int(np.floor((np.max(ra_e) + wide) / TWO_PI * n - 0.5))
            cells = sorted({k % n for k in range(first, min(last, first + n - 1) + 1)})
            found += [self.tile(ring, k) for k in cells]
        return found
