"""The astrometric solution of one strip: everything that turns line and column into the sky."""

from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import SolutionError
from pipeline.geometry.apparent import (
    EARTH_RATE,
    ApparentPlace,
    earth_orientation,
    make_apparent_place,
    make_axis,
    rotation_angle,
)
from pipeline.geometry.camera import ARCSEC_PER_RADIAN, Camera, FloatArray
from pipeline.geometry.slip import Slip, put_back, take_out
from pipeline.geometry.stripmap import StripMap, make_strip_map
from pipeline.geometry.transit import CLOCK_VARIANCE, trace_path
from pipeline.geometry.wander import Wander

__all__ = ["StripSolution"]

SECONDS = 86400.0
LONGEST = 86000.0  # s; a strip as long as a sidereal day would hold stars twice
FORMAT = 1


@dataclass(frozen=True, eq=False)
class StripSolution:
    """Geometry of one strip, with its parameters and their covariance.

    The hour angle of the axis and the clock offset are the same parameter as far as positions
    go: a telescope that points west of where it is believed to point sees what a late clock
    sees. Whichever of the two is held (see the fit) decides what the other means.

    Attributes
    ----------
    latitude_deg, longitude_deg, height_m : float
        Site, geodetic; north and east positive.
    axis_declination_deg, axis_hour_angle_deg : float
        Where the axis points, degrees, hour angle to the west.
    camera : Camera
    line_period : float
        Seconds per line.
    mjd_start : float
        UTC by the camera's clock when line 0 leaves the register.
    n_lines : int
        Lines of the strip.
    clock_offset_s : float
        Seconds to add to the camera's clock.
    wander : Wander or None
        Slow offsets of the line of sight.
    slips : tuple of Slip
        Places where lines were lost, in order of line.
    parameter_names : tuple of str
        Fitted parameters, in the order of `covariance`.
    covariance : ndarray
        In the units of the names (deg, s, arcsec).
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float
    axis_declination_deg: float
    axis_hour_angle_deg: float
    camera: Camera
    line_period: float
    mjd_start: float
    n_lines: int
    clock_offset_s: float = 0.0
    wander: Wander | None = None
    parameter_names: tuple[str, ...] = ()
    covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    slips: tuple[Slip, ...] = ()

    def __post_init__(self) -> None:
        limits = {
            "latitude_deg": (-90.0, 90.0),
            "longitude_deg": (-360.0, 360.0),
            "axis_declination_deg": (-90.0, 90.0),
            "axis_hour_angle_deg": (-180.0, 180.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} must lie between {low:g} and {high:g}, got {value}")
        for name in ("height_m", "mjd_start", "clock_offset_s"):
            if not np.isfinite(getattr(self, name)):
                raise ValueError(f"{name} must be finite, got {getattr(self, name)}")
        if not (np.isfinite(self.line_period) and self.line_period > 0):
            raise ValueError(f"line_period must be positive (s), got {self.line_period}")
        if self.n_lines < 1:
            raise ValueError(f"n_lines must be at least 1, got {self.n_lines}")
        if self.n_lines * self.line_period > LONGEST:
            raise ValueError(
                "a strip must be shorter than a day, got "
                f"n_lines {self.n_lines} x line_period {self.line_period} s"
            )
        n = len(self.parameter_names)
        if np.shape(self.covariance) != (n, n):
            raise ValueError(
                f"covariance must have shape ({n}, {n}) as parameter_names, "
                f"got {np.shape(self.covariance)}"
            )

    @classmethod
    def first_guess(
        cls,
        *,
        latitude_deg: float,
        longitude_deg: float,
        height_m: float,
        axis_declination_deg: float,
        axis_hour_angle_deg: float,
        camera: Camera,
        line_period: float,
        mjd_start: float,
        n_lines: int,
    ) -> "StripSolution":
        """Solution before any fit, from the configuration and the header; see the class.

        Returns
        -------
        StripSolution
            Without clock offset, wander and covariance.

        Raises
        ------
        ValueError
            If a number is out of range.
        """
        return cls(
            latitude_deg=float(latitude_deg),
            longitude_deg=float(longitude_deg),
            height_m=float(height_m),
            axis_declination_deg=float(axis_declination_deg),
            axis_hour_angle_deg=float(axis_hour_angle_deg),
            camera=camera,
            line_period=float(line_period),
            mjd_start=float(mjd_start),
            n_lines=int(n_lines),
        )

    # -- pieces, made once -------------------------------------------------------------------

    @cached_property
    def rate(self) -> float:
        """Turn of the Earth, radians per second of UTC."""
        return EARTH_RATE * (1.0 + earth_orientation(self.mjd_start).excess_rate)

    @cached_property
    def strip_map(self) -> StripMap:
        """The strip's functions of apparent declination."""
        axis = make_axis(
            declination_deg=self.axis_declination_deg,
            hour_angle_deg=self.axis_hour_angle_deg,
            latitude_deg=self.latitude_deg,
            longitude_deg=self.longitude_deg,
            height_m=self.height_m,
            mjd_utc=self.mjd_start,
        )
        theta = rotation_angle(self.mjd_start, offset_s=self.clock_offset_s)
        return make_strip_map(
            self.camera,
            axis,
            line_angle=self.rate * self.line_period,
            theta_start=(theta + np.radians(self.longitude_deg)) % (2.0 * np.pi),
            n_lines=self.n_lines,
        )

    @cached_property
    def apparent_place(self) -> ApparentPlace:
        """Apparent places over the time of the strip."""
        start = self.mjd_start + self.clock_offset_s / SECONDS
        return make_apparent_place(
            mjd_first=start - self.camera.n_stage * self.line_period / SECONDS,
            mjd_last=start + self.n_lines * self.line_period / SECONDS,
        )

    def _steady_time(self, steady_line: FloatArray, dec: FloatArray) -> FloatArray:
        seconds = self.strip_map.mean_angle(steady_line, dec) / self.rate + self.clock_offset_s
        return self.mjd_start + seconds / SECONDS

    # -- the map -----------------------------------------------------------------------------

    def apparent(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Apparent (CIRS) place of stars at the time of their transit.

        Parameters
        ----------
        ra_deg, dec_deg : array_like
            ICRS at the epoch of observation, degrees.

        Returns
        -------
        ra, dec : ndarray
            Radians.
        """
        ra = np.radians(np.asarray(ra_deg, np.float64))
        dec = np.radians(np.asarray(dec_deg, np.float64))
        middle = self.mjd_start + 0.5 * self.n_lines * self.line_period / SECONDS
        # The time of the transit follows from the place and the place, weakly, from the time.
        ra_app, dec_app = self.apparent_place.to_apparent(ra, dec, middle)
        for _ in range(2):
            line, _ = self.strip_map.sky_to_strip(ra_app, dec_app)
            mjd = self._steady_time(line, dec_app)
            ra_app, dec_app = self.apparent_place.to_apparent(ra, dec, mjd)
        return ra_app, dec_app

    def sky_to_strip(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Mean line and column of stars.

        Parameters
        ----------
        ra_deg, dec_deg : array_like
            ICRS at the epoch of observation, degrees.

        Returns
        -------
        line, column : ndarray
            Pixels, 0-based, centres at integers; both NaN where the star passes far off the
            chip. Lines outside ``[0, n_lines)`` are returned as they come; NaN for lines lost.
        """
        line, column = self.strip_map.sky_to_strip(*self.apparent(ra_deg, dec_deg))
        return self._add_wander(np.where(np.isfinite(column), line, np.nan), column)

    def _add_wander(self, line: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        if self.wander is not None:
            dl, dc = self.wander.evaluate(line)
            line, column = line + dl, column + dc
        return take_out(line, self.slips) if self.slips else line, column

    def _remove_wander(self, line: ArrayLike, column: ArrayLike) -> tuple[FloatArray, FloatArray]:
        line = np.asarray(line, np.float64)
        column = np.asarray(column, np.float64)
        if self.slips:
            line = put_back(line, self.slips)
        if self.wander is None:
            return line, column
        steady = self.wander.steady_line(line)
        return steady, column - self.wander.evaluate(steady)[1]

    def strip_to_sky(self, line: ArrayLike, column: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Sky of a mean line and column: the inverse of `sky_to_strip`.

        Parameters
        ----------
        line, column : array_like
            Pixels.

        Returns
        -------
        ra_deg, dec_deg : ndarray
            ICRS at the epoch of observation, degrees; NaN for columns far off the chip.
        """
        line, column = np.broadcast_arrays(*self._remove_wander(line, column))
        ra_app, dec_app = self.strip_map.strip_to_sky(line, column)
        mjd = self._steady_time(line, dec_app)
        good = np.isfinite(ra_app) & np.isfinite(dec_app)
        ra, dec = self.apparent_place.to_icrs(
            np.where(good, ra_app, 0.0), np.where(good, dec_app, 0.0), mjd
        )
        return np.where(good, np.degrees(ra), np.nan), np.where(good, np.degrees(dec), np.nan)

    def mid_time(self, line: ArrayLike, column: ArrayLike) -> FloatArray:
        """Middle of a source's exposure.

        Parameters
        ----------
        line, column : array_like
            The source's mean line and column, pixels.

        Returns
        -------
        ndarray
            MJD, UTC, with the clock offset applied.
        """
        dec = self.strip_map.declination(self._remove_wander(line, column)[1])
        return self._steady_time(put_back(line, self.slips), dec)

    # -- functions of the column alone -------------------------------------------------------

    def _function(self, name: str, column: ArrayLike) -> FloatArray:
        return self.strip_map.evaluate(name, self.strip_map.declination(column))

    def exposure(self, column: ArrayLike) -> FloatArray:
        """Transit time of the stars of a column, seconds."""
        return self.exposure_ratio(column) * self.camera.n_stage * self.line_period

    def exposure_ratio(self, column: ArrayLike) -> FloatArray:
        """Transit time over the sky's integration time, ``T / T0``."""
        return self._function("duration", column)

    def solid_angle_ratio(self, column: ArrayLike) -> FloatArray:
        """Pixel solid angle, averaged along the rows, over its mean over the columns."""
        return self.strip_map.solid_angle_ratio(column)

    def smear(
        self, column: ArrayLike, *, boxcar: bool = False
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Second central moments that the motion adds to the point spread.

        Parameters
        ----------
        column : array_like
            Pixels.
        boxcar : bool, optional
            True adds the 1/12 px^2 of the discrete clocking along the scan. (The pixel itself is
            never included.)

        Returns
        -------
        ll, lc, cc : ndarray
            Pixels^2.
        """
        dec = self.strip_map.declination(column)
        ll, lc, cc = (self.strip_map.evaluate(name, dec) for name in ("ll", "lc", "cc"))
        # The series may dip below zero by rounding where the smear vanishes.
        ll, cc = np.maximum(ll, 0.0), np.maximum(cc, 0.0)
        return (ll + CLOCK_VARIANCE if boxcar else ll), lc, cc

    def path(self, column: ArrayLike, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Path of a star against its charge packet, without the clocking boxcar.

        Parameters
        ----------
        column : array_like of shape (...)
            Pixels.
        n : int
            Nodes.

        Returns
        -------
        dl, dc : ndarray of shape (..., n)
            Offsets from the mean position, pixels.
        weights : ndarray of shape (n,)
            Share of the exposure; sums to 1.
        """
        strip = self.strip_map
        return trace_path(
            strip.camera, strip.axis, strip.declination(column), line_angle=strip.line_angle, n=n
        )

    def jacobian(self, line: ArrayLike, column: ArrayLike) -> FloatArray:
        """Derivatives of the sky by line and column.

        Parameters
        ----------
        line, column : array_like of shape (...)
            Pixels.

        Returns
        -------
        ndarray of shape (..., 2, 2)
            ``[[east/line, east/column], [north/line, north/column]]``, arcsec per pixel on the
            sky, ICRS. Left out: the slope of the wander and the 1e-4 of scale that annual
            aberration brings.
        """
        line, column = np.broadcast_arrays(*self._remove_wander(line, column))
        strip = self.strip_map
        ra_app, dec_app = strip.strip_to_sky(line, column)
        d_dec = 1.0 / strip.derivative("column", dec_app)  # rad per column
        slope = strip.derivative("row", dec_app) * strip.line_angle + strip.derivative(
            "hour_angle", dec_app
        )
        cos = np.cos(dec_app)
        local = np.zeros((*line.shape, 2, 2))
        local[..., 0, 0] = strip.line_angle * cos
        local[..., 0, 1] = -slope * d_dec * cos
        local[..., 1, 1] = d_dec
        mjd = self._steady_time(line, dec_app)
        good = np.isfinite(ra_app) & np.isfinite(dec_app)
        ra, dec = self.apparent_place.to_icrs(
            np.where(good, ra_app, 0.0), np.where(good, dec_app, 0.0), mjd
        )
        angle = self.apparent_place.pole_angle(ra, dec, mjd)
        cos_p, sin_p = np.cos(angle), np.sin(angle)
        turn = np.stack(
            [np.stack([cos_p, sin_p], axis=-1), np.stack([-sin_p, cos_p], axis=-1)], axis=-2
        )
        return np.asarray(turn @ local * ARCSEC_PER_RADIAN)

    def position_errors(
        self,
        line: ArrayLike,
        column: ArrayLike,
        line_err: ArrayLike,
        column_err: ArrayLike,
    ) -> tuple[FloatArray, FloatArray]:
        """Errors on the sky of independent errors of line and column.

        Parameters
        ----------
        line, column : array_like
            Pixels.
        line_err, column_err : array_like
            Standard errors, pixels.

        Returns
        -------
        ra_err, dec_err : ndarray
            Arcseconds on the sky (the first includes cos(dec)).
        """
        jacobian = self.jacobian(line, column)
        le = np.asarray(line_err, np.float64)
        ce = np.asarray(column_err, np.float64)
        return (
            np.hypot(jacobian[..., 0, 0] * le, jacobian[..., 0, 1] * ce),
            np.hypot(jacobian[..., 1, 0] * le, jacobian[..., 1, 1] * ce),
        )

    def footprint(
        self, n: int, *, start_line: float = 0.0, stop_line: float | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Outline of the strip, or of a range of its lines.

        Parameters
        ----------
        n : int
            Points along each long side.
        start_line, stop_line : float, optional
            Half-open range of lines; the whole strip by default.

        Returns
        -------
        ra_deg, dec_deg : ndarray of shape (2 n,)
            ICRS corners in order: along the first column, back along the last. Not closed.
        """
        if n < 2:
            raise ValueError(f"n must be at least 2, got {n}")
        stop = float(self.n_lines) if stop_line is None else stop_line
        lines = np.linspace(start_line - 0.5, stop - 0.5, n)
        line = np.concatenate([lines, lines[::-1]])
        column = np.repeat([-0.5, self.camera.n_columns - 0.5], n)
        return self.strip_to_sky(line, column)

    # -- parameters --------------------------------------------------------------------------

    @property
    def parameters(self) -> dict[str, float]:
        """What the fit can change, by name."""
        camera = self.camera
        return {
            "declination_deg": self.axis_declination_deg,
            "hour_angle_deg": self.axis_hour_angle_deg,
            "clock_offset_s": self.clock_offset_s,
            "pixel_scale_arcsec": camera.pixel_scale,
            "rotation_deg": float(np.degrees(camera.rotation)),
            "k1": camera.radial[0],
            "k2": camera.radial[1],
            "aspect": camera.aspect,
            "skew": camera.skew,
        }

    def with_parameters(self, **changes: float) -> "StripSolution":
        """Solution with some of `parameters` changed; the covariance is dropped.

        Raises
        ------
        ValueError
            If a name is unknown.
        """
        old = self.parameters
        unknown = set(changes) - set(old)
        if unknown:
            raise ValueError(f"unknown parameters {sorted(unknown)}; known are {sorted(old)}")
        new = old | changes
        camera = replace(
            self.camera,
            scale=ARCSEC_PER_RADIAN / new["pixel_scale_arcsec"],
            rotation=float(np.radians(new["rotation_deg"])),
            radial=(new["k1"], new["k2"]),
            aspect=new["aspect"],
            skew=new["skew"],
        )
        return replace(
            self,
            camera=camera,
            axis_declination_deg=float(new["declination_deg"]),
            axis_hour_angle_deg=float(new["hour_angle_deg"]),
            clock_offset_s=float(new["clock_offset_s"]),
            parameter_names=(),
            covariance=np.zeros((0, 0)),
        )

    @property
    def errors(self) -> dict[str, float]:
        """Standard errors of the fitted parameters."""
        sigma = np.sqrt(np.diag(self.covariance))
        return dict(zip(self.parameter_names, sigma.tolist(), strict=True))

    # -- storage -----------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, lists and strings, for JSON."""
        return {
            "format": FORMAT,
            "latitude_deg": self.latitude_deg,
            "longitude_deg": self.longitude_deg,
            "height_m": self.height_m,
            "axis_declination_deg": self.axis_declination_deg,
            "axis_hour_angle_deg": self.axis_hour_angle_deg,
            "camera": asdict(self.camera) | {"radial": list(self.camera.radial)},
            "line_period": self.line_period,
            "mjd_start": self.mjd_start,
            "n_lines": self.n_lines,
            "clock_offset_s": self.clock_offset_s,
            "wander": None if self.wander is None else self.wander.to_dict(),
            "parameter_names": list(self.parameter_names),
            "covariance": np.asarray(self.covariance).tolist(),
            "slips": [asdict(slip) for slip in self.slips],
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> "StripSolution":
        """The inverse of `to_dict`.

        Raises
        ------
        SolutionError
            If a key is missing or unknown, or the format is of another version.
        """
        content = dict(values)
        found = content.pop("format", None)
        if found != FORMAT:
            raise SolutionError(
                f"a stored solution must have format {FORMAT}, got {found!r}; "
                "reduce the strip again"
            )
        try:
            camera = dict(content["camera"])
            camera["radial"] = tuple(camera["radial"])
            names = tuple(content["parameter_names"])
            content["camera"] = Camera(**camera)
            content["parameter_names"] = names
            content["covariance"] = np.asarray(content["covariance"], np.float64).reshape(
                len(names), len(names)
            )
            content["slips"] = tuple(Slip(**slip) for slip in content.get("slips", ()))
            wander = content["wander"]
            content["wander"] = None if wander is None else Wander.from_dict(wander)
            return cls(**content)
        except (KeyError, TypeError) as error:
            raise SolutionError(
                f"a stored solution lacks or adds a key ({error}); reduce the strip again"
            ) from error
