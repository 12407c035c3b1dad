"""What a simulated observing run consists of: frozen descriptions, validated when built."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

__all__ = [
    "ARCSEC_PER_RADIAN",
    "ROTATION_RATE",
    "AmplifierSpec",
    "CameraSpec",
    "Cloud",
    "DetectorSpec",
    "Fault",
    "FieldSpec",
    "Guess",
    "Scenario",
    "Seeing",
    "Site",
    "Sky",
    "StripPlan",
    "describe_scenario",
    "find_matched_period",
    "name_night",
]

ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi
# Rate of the Earth rotation angle in UT1, rad/s: IAU 2000 Resolution B1.8
# (2 pi * 1.00273781191135448 turns a day).
ROTATION_RATE = 2.0 * math.pi * 1.00273781191135448 / 86400.0


def _require(ok: bool, name: str, rule: str, value: object) -> None:
    if not ok:
        msg = f"{name} must be {rule}, got {value!r}"
        raise ValueError(msg)


@dataclass(frozen=True)
class Site:
    """Where the invented telescope stands: degrees (north, east positive) and metres."""

    name: str = "Saltpan Ridge (invented)"
    latitude: float = -46.20
    longitude: float = -71.30
    height: float = 1120.0

    def __post_init__(self) -> None:
        _require(abs(self.latitude) <= 90, "latitude", "within -90..90 deg", self.latitude)
        _require(abs(self.longitude) <= 360, "longitude", "within -360..360 deg", self.longitude)


@dataclass(frozen=True)
class AmplifierSpec:
    """One readout amplifier; column ranges are half-open. `gain` in electrons per ADU."""

    name: str
    data: tuple[int, int]
    overscan: tuple[int, int]
    chip: tuple[int, int]
    reversed: bool = False
    gain: float = 1.8
    read_noise: float = 6.0
    offset: float = 1000.0  # ADU

    def __post_init__(self) -> None:
        _require(
            self.data[1] - self.data[0] == self.chip[1] - self.chip[0],
            "data",
            "as wide as chip",
            (self.data, self.chip),
        )
        _require(self.gain > 0, "gain", "positive", self.gain)
        _require(self.read_noise >= 0, "read_noise", ">= 0", self.read_noise)


@dataclass(frozen=True)
class CameraSpec:
    """The true camera and the true direction of its axis.

    `axis_declination` and `axis_hour_angle` (deg) are apparent; `rotation` in deg;
    `optical_centre` is (column, height above the serial register), default the middle.
    """

    columns: int = 1024
    n_stage: int = 1024
    pixel_scale: float = 0.55
    rotation: float = 0.0
    column_sign: int = 1
    axis_declination: float = -46.20
    axis_hour_angle: float = 0.0
    optical_centre: tuple[float, float] | None = None
    radial_distortion: tuple[float, float] = (0.0, 0.0)
    line_period: float = 0.0528
    amplifiers: tuple[AmplifierSpec, ...] = ()

    def __post_init__(self) -> None:
        _require(self.columns >= 8, "columns", ">= 8", self.columns)
        _require(self.n_stage >= 8, "n_stage", ">= 8", self.n_stage)
        _require(self.pixel_scale > 0, "pixel_scale", "positive arcsec", self.pixel_scale)
        _require(self.column_sign in (-1, 1), "column_sign", "+1 or -1", self.column_sign)
        _require(abs(self.axis_declination) < 89, "axis_declination", "within +-89 deg", self)
        _require(self.line_period > 0, "line_period", "positive seconds", self.line_period)
        covered = sorted(c for a in self.amplifiers for c in range(*a.chip))
        _require(
            covered == list(range(self.columns)),
            "amplifiers",
            "a set that covers every chip column once",
            [a.chip for a in self.amplifiers],
        )

    @property
    def centre(self) -> tuple[float, float]:
        """Column and row height of the optical axis."""
        if self.optical_centre is not None:
            return self.optical_centre
        return ((self.columns - 1) / 2.0, self.n_stage / 2.0)

    @property
    def exposure(self) -> float:
        """Integration time of a full column, seconds."""
        return self.n_stage * self.line_period

    @property
    def n_raw(self) -> int:
        """Columns of a raw line, overscan included."""
        return max(max(a.data[1], a.overscan[1]) for a in self.amplifiers)


@dataclass(frozen=True)
class Sky:
    """Sky brightness in electrons per second and pixel, and how it changes with time.

    `twilight` is the factor over `level` at the bright end, decaying with `twilight_time` (s);
    `moon` the moonlight's largest rate; `airglow` a relative amplitude with `airglow_period` (s);
    `scattered` the additive scattered light as a fraction of the moonlight.
    """

    level: float = 11.0
    twilight: float = 0.0
    twilight_time: float = 150.0
    twilight_at_end: bool = False
    moon: float = 0.0
    airglow: float = 0.0
    airglow_period: float = 420.0
    scattered: float = 0.0

    def __post_init__(self) -> None:
        for name in ("level", "twilight", "moon", "airglow", "scattered"):
            _require(getattr(self, name) >= 0, name, ">= 0", getattr(self, name))


@dataclass(frozen=True)
class Cloud:
    """A passing cloud: depth (mag) at `centre` with Gaussian half-width `width`, in lines."""

    centre: float
    width: float
    depth: float


@dataclass(frozen=True)
class Seeing:
    """Full width at half maximum between `low` and `high` (arcsec), no faster than `period` (s).

    `blur` (arcsec) is what the telescope adds to it in quadrature, steadily: lost focus.
    """

    low: float = 1.3
    high: float = 1.9
    period: float = 300.0
    blur: float = 0.0

    def __post_init__(self) -> None:
        _require(0 < self.low <= self.high, "low", "positive and <= high", (self.low, self.high))
        _require(self.blur >= 0, "blur", ">= 0", self.blur)


@dataclass(frozen=True)
class Fault:
    """What is wrong with a strip's camera or readout, and under what name the truth tells it.

    `period_error` is relative to the camera's line period, `rotation` (deg) comes on top of the
    camera's; `dead_amplifier` names one that reads nothing. From line `lost_at` on, `lost_lines`
    lines are read but never written, and the lines behind close up. Each grain of `grains` is a
    shadow on the chip: column, half width in columns, share of the light it takes.
    """

    name: str = ""
    period_error: float = 0.0
    rotation: float = 0.0
    dead_amplifier: str = ""
    lost_at: int = 0
    lost_lines: int = 0
    grains: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        _require(abs(self.period_error) < 0.5, "period_error", "within +-0.5", self.period_error)
        _require(self.lost_lines >= 0, "lost_lines", ">= 0", self.lost_lines)


@dataclass(frozen=True)
class StripPlan:
    """One strip: `mjd_start` is the true UTC at which line 0 leaves the register.

    `extinction` (mag) is that of an even cloud over the whole strip.
    """

    name: str
    night: str
    mjd_start: float
    n_lines: int
    filter: str = "r"
    shutter_open: bool = True
    sky: Sky = Sky()
    seeing: Seeing = Seeing()
    clouds: tuple[Cloud, ...] = ()
    satellites: int = 0
    wander: float = 0.0  # arcsec, amplitude of the slow wander of the line of sight
    extinction: float = 0.0
    fault: Fault = Fault()

    def __post_init__(self) -> None:
        _require(self.n_lines >= 1, "n_lines", ">= 1", self.n_lines)
        lost = self.fault.lost_at + self.fault.lost_lines
        _require(lost < self.n_lines, "lost_at + lost_lines", "within the strip", lost)


@dataclass(frozen=True)
class FieldSpec:
    """Invented stars: counts N(> flux) ~ flux**-slope between `faint` and `bright` electrons.

    `density` counts the stars above S/N 5 per 4 x 1024**2 pixels.
    """

    density: float = 1200.0
    slope: float = 0.75
    faint: float = 0.3  # of the flux with S/N 5
    bright: float = 2.0e6  # electrons in a full crossing
    proper_motion: float = 10.0  # mas/yr, standard deviation of each component
    variables: int = 3
    amplitude: float = 0.6  # mag
    new: int = 1
    moving: int = 1
    moving_rate: float = 30.0  # arcsec/h
    reference_snr: float = 40.0


@dataclass(frozen=True)
class DetectorSpec:
    """Imperfections of the chip; electrons unless named."""

    full_well: float = 100_000.0
    pixel_scatter: float = 0.01
    shading: float = 0.05
    dust: int = 6
    dark: float = 0.05  # e/s
    bias_scatter: float = 1.5
    dead: int = 1
    hot: int = 3
    noisy: int = 1
    noisy_sigma: float = 60.0
    bent: int = 0
    bent_loss: float = 0.3  # share lost at high levels, half of it at bent_level
    bent_level: float = 2000.0
    trap: int = 0
    trap_share: float = 0.06  # share of the charge held back and released behind
    trap_lines: float = 20.0  # e-folding length of the release, lines
    overscan_drift: float = 2.0  # ADU
    cosmic_rate: float = 40.0  # events per million pixels
    stray: float = 0.0  # the sky's light that misses the optics, at most, over what they bring
    flat: bool = False  # True: response 1, no bias structure, no dark, no bad column

    def __post_init__(self) -> None:
        _require(self.full_well > 0, "full_well", "positive electrons", self.full_well)
        _require(0 <= self.stray < 1, "stray", "within 0..1", self.stray)
        _require(0 <= self.bent_loss < 1, "bent_loss", "within 0..1", self.bent_loss)
        _require(0 <= self.trap_share < 1, "trap_share", "within 0..1", self.trap_share)
        _require(0 < self.trap_lines <= 20, "trap_lines", "within 0..20", self.trap_lines)


@dataclass(frozen=True)
class Guess:
    """What the configuration file says where it differs from the truth; None: the site latitude."""

    pixel_scale: float = 0.55
    rotation: float = 0.0
    declination: float | None = None
    hour_angle: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """A complete simulated observing run.

    `clock_error` (s) is header time minus true time; `zero_point` the magnitude that gives one
    electron in a full crossing; `sub_steps` the Gauss-Legendre points in each clock period;
    `beta` the exponent of the Moffat profile. `poisson` and `read` switch the noise sources.
    `calibrated_strips`: the configuration asks for them, so that pixel masks can be judged.
    """

    name: str
    site: Site
    camera: CameraSpec
    guess: Guess
    strips: tuple[StripPlan, ...]
    stars: FieldSpec = FieldSpec()
    detector: DetectorSpec = DetectorSpec()
    clock_error: float = 0.0
    zero_point: float = 28.9
    beta: float = 3.5
    segment_lines: int = 4096
    sub_steps: int = 3
    poisson: bool = True
    read: bool = True
    seed: int = 20250301
    response_changes: tuple[str, ...] = field(default=())
    calibrated_strips: bool = False

    def __post_init__(self) -> None:
        _require(len(self.strips) > 0, "strips", "at least one", self.strips)
        _require(self.beta > 1.5, "beta", "> 1.5", self.beta)
        _require(self.sub_steps >= 2, "sub_steps", ">= 2", self.sub_steps)
        _require(self.segment_lines >= 1, "segment_lines", ">= 1", self.segment_lines)
        names = [s.name for s in self.strips]
        _require(len(set(names)) == len(names), "strips", "uniquely named", names)
        longest = max((s.n_lines for s in self.strips if s.fault.lost_lines), default=0)
        _require(
            longest <= self.segment_lines,
            "segment_lines",
            "no less than the lines of a strip that loses some",
            self.segment_lines,
        )

    @property
    def science(self) -> tuple[StripPlan, ...]:
        """Strips taken with the shutter open."""
        return tuple(s for s in self.strips if s.shutter_open)

    @property
    def nights(self) -> tuple[str, ...]:
        """Nights in order of time."""
        return tuple(sorted({s.night for s in self.strips}))

    def with_camera_of(self, plan: StripPlan) -> Scenario:
        """The same run, its camera as it was during one strip."""
        fault, camera = plan.fault, self.camera
        if not fault.period_error and not fault.rotation:
            return self
        camera = replace(
            camera,
            line_period=camera.line_period * (1.0 + fault.period_error),
            rotation=camera.rotation + fault.rotation,
        )
        # A longer crossing collects more.
        gain = 2.5 * math.log10(1.0 + fault.period_error)
        return replace(self, camera=camera, zero_point=self.zero_point + gain)


def find_matched_period(pixel_scale: float, axis_declination: float) -> float:
    """Line period that matches the drift on the axis.

    Parameters
    ----------
    pixel_scale : float
        Arcsec per pixel at the axis.
    axis_declination : float
        Apparent declination of the axis, deg.

    Returns
    -------
    float
        Seconds per line.
    """
    drift = ROTATION_RATE * math.cos(math.radians(axis_declination)) * ARCSEC_PER_RADIAN
    return pixel_scale / drift


def name_night(mjd: float, longitude: float) -> str:
    """Date (YYYY-MM-DD) of the local mean noon before `mjd` (UTC), longitude east in deg."""
    day = math.floor(mjd + longitude / 360.0 - 0.5)
    return (datetime(1858, 11, 17, tzinfo=UTC) + timedelta(days=day)).strftime("%Y-%m-%d")


def describe_scenario(value: Any) -> Any:
    """Turn a scenario, or a part of one, into what JSON can hold."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: describe_scenario(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [describe_scenario(v) for v in value]
    return value
