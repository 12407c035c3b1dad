"""The named scenarios of the command line, all at the invented Saltpan Ridge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from synthetic.fault_nights import plan_fault_nights
from synthetic.scenario import (
    AmplifierSpec,
    CameraSpec,
    Cloud,
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

__all__ = ["NAMES", "build_scenario", "make_amplifiers", "make_camera", "plan_night"]

_SIDEREAL_DAY = 86164.0905 / 86400.0  # d; from memory of the Almanac
_SITE = Site()
_SCALE = 0.55
_OVERSCAN = 16
# One electron in the 54 s of 1024 rows at this magnitude; other cameras scale with rows.
_ZERO_POINT = 28.9
_FIRST = 60737.02  # 2025-03-03, evening at the site


def make_amplifiers(
    columns: int, *, reversed_second: bool = False, gains: tuple[float, float] = (1.8, 1.9)
) -> tuple[AmplifierSpec, ...]:
    """Two amplifiers that share the columns, overscan of both behind the image."""
    half = columns // 2
    first, second = columns, columns + _OVERSCAN
    return (
        AmplifierSpec("A", (0, half), (first, second), (0, half), gain=gains[0]),
        AmplifierSpec(
            "B",
            (half, columns),
            (second, second + _OVERSCAN),
            (half, columns),
            reversed=reversed_second,
            gain=gains[1],
            read_noise=6.6,
            offset=1040.0,
        ),
    )


def make_camera(
    columns: int,
    n_stage: int,
    *,
    scale_error: float = 1e-3,
    rotation: float = 0.15,
    tilt: tuple[float, float] = (1.7, 0.9),
    rate_error: float = 3e-4,
    distortion: float = 0.0,
    reversed_second: bool = False,
) -> CameraSpec:
    """Camera of the invented telescope, a little different from what its owners believe.

    Parameters
    ----------
    columns, n_stage : int
        Chip.
    scale_error : float
        True scale over configured scale, minus 1.
    rotation : float
        Deg.
    tilt : tuple of float
        Axis north and west of the zenith, arcmin.
    rate_error : float
        Line period over the matched one, minus 1.
    distortion : float
        Cubic radial term, per square radian.
    reversed_second : bool
        Whether the second amplifier reads its half backwards.

    Returns
    -------
    CameraSpec
    """
    scale = _SCALE * (1.0 + scale_error)
    declination = _SITE.latitude + tilt[0] / 60.0
    west = tilt[1] / 60.0 / float(np.cos(np.radians(declination)))
    return CameraSpec(
        columns=columns,
        n_stage=n_stage,
        pixel_scale=scale,
        rotation=rotation,
        axis_declination=declination,
        axis_hour_angle=west,
        radial_distortion=(distortion, 0.0),
        line_period=find_matched_period(scale, declination) * (1.0 + rate_error),
        amplifiers=make_amplifiers(columns, reversed_second=reversed_second),
    )


def plan_night(
    camera: CameraSpec,
    mjd: float,
    lines: int,
    closed_lines: int,
    *,
    sky: Sky,
    seeing: Seeing,
    clouds: tuple[Cloud, ...] = (),
    satellites: int = 0,
    wander: float = 0.0,
) -> tuple[StripPlan, ...]:
    """One science strip from `mjd` (UTC), and after it one with the shutter closed."""
    night = name_night(mjd, _SITE.longitude)
    science = StripPlan(
        name=f"{night}_s01",
        night=night,
        mjd_start=mjd,
        n_lines=lines,
        sky=sky,
        seeing=seeing,
        clouds=clouds,
        satellites=satellites,
        wander=wander,
    )
    after = mjd + (lines * camera.line_period + 90.0) / 86400.0
    closed = StripPlan(
        name=f"{night}_s02",
        night=night,
        mjd_start=after,
        n_lines=closed_lines,
        shutter_open=False,
    )
    return (science, closed)


def _zero_point(n_stage: int) -> float:
    return _ZERO_POINT + 2.5 * float(np.log10(n_stage / 1024.0))


def _demo(_columns: int, _lines: int, _stages: int) -> Scenario:
    camera = make_camera(1024, 1024)
    lines, closed = 14_000, 4096
    # The same band on each night, started by hand within a minute or two.
    starts = [_FIRST + n * _SIDEREAL_DAY + late / 86400.0 for n, late in enumerate((0, 74, -52))]
    first = plan_night(
        camera,
        starts[0],
        lines,
        closed,
        sky=Sky(twilight=9.0, twilight_time=100.0, airglow=0.02),
        seeing=Seeing(1.35, 1.65, 300.0),
        wander=0.03,
    )
    second = plan_night(
        camera,
        starts[1],
        lines,
        closed,
        sky=Sky(moon=16.0, scattered=0.005, airglow=0.02),
        seeing=Seeing(1.35, 1.65, 240.0),
        clouds=(Cloud(centre=8600.0, width=560.0, depth=1.0),),
        wander=0.03,
    )
    third = plan_night(
        camera,
        starts[2],
        lines,
        closed,
        sky=Sky(airglow=0.06),
        seeing=Seeing(1.3, 1.9, 150.0),
        satellites=1,
        wander=0.03,
    )
    return Scenario(
        name="demo",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=first + second + third,
        # Many bright stars: a trend with column, or a step between amplifiers, of 1 mmag must show.
        stars=FieldSpec(density=1500.0, slope=0.5),
        detector=DetectorSpec(bent=1),
        clock_error=3.4,
        calibrated_strips=True,
    )


def _wide(_columns: int, _lines: int, _stages: int) -> Scenario:
    camera = make_camera(
        4096,
        2048,
        scale_error=-8e-4,
        rotation=-0.12,
        tilt=(2.4, -1.3),
        rate_error=2e-4,
        distortion=8.0,
    )
    strips = plan_night(
        camera,
        _FIRST,
        10_000,
        3000,
        sky=Sky(twilight=4.0, twilight_time=120.0, airglow=0.03),
        seeing=Seeing(1.35, 1.65, 400.0),
        wander=0.02,
    )
    return Scenario(
        name="wide",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=strips,
        # Many bright stars: a trend with column of 1 mmag must stand out of the noise.
        stars=FieldSpec(density=1500.0, slope=0.4),
        detector=DetectorSpec(dust=14, dead=2, hot=6, noisy=2),
        clock_error=-9.7,
        zero_point=_zero_point(2048),
    )


def _small(_columns: int, _lines: int, _stages: int) -> Scenario:
    camera = make_camera(256, 256, reversed_second=True)
    nights = (
        plan_night(
            camera,
            _FIRST,
            3000,
            1200,
            sky=Sky(twilight=8.0, twilight_time=25.0),
            seeing=Seeing(1.4, 1.6, 150.0),
        ),
        plan_night(
            camera,
            _FIRST + _SIDEREAL_DAY + 3.0 / 86400.0,
            3000,
            1200,
            sky=Sky(moon=10.0, scattered=0.005),
            seeing=Seeing(1.3, 1.7, 120.0),
            satellites=1,
        ),
    )
    return Scenario(
        name="small",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=tuple(s for night in nights for s in night),
        stars=FieldSpec(density=3600.0, variables=1),
        detector=DetectorSpec(dust=2, hot=1),
        clock_error=2.6,
        zero_point=_zero_point(256),
        segment_lines=1024,
        calibrated_strips=True,
    )


def _night(columns: int, lines: int, stages: int) -> Scenario:
    camera = make_camera(columns, stages)
    duration = lines * camera.line_period
    strips = plan_night(
        camera,
        _FIRST,
        lines,
        max(4 * 256, min(2 * stages, lines)),
        sky=Sky(twilight=6.0, twilight_time=min(300.0, 0.1 * duration), airglow=0.03),
        seeing=Seeing(1.3, 1.7, 240.0),
        wander=0.02,
    )
    return Scenario(
        name="night",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=strips,
        detector=DetectorSpec(dust=2 + columns // 300),
        clock_error=5.1,
        zero_point=_zero_point(stages),
    )


def _season(_columns: int, _lines: int, _stages: int) -> Scenario:
    camera = make_camera(512, 512)
    nights = []
    first = 60737.18
    for number, day in enumerate((0, 1, 8, 15, 16, 29)):
        late = (0.0, 40.0, -25.0, 12.0, -60.0, 33.0)[number]
        nights.append(
            plan_night(
                camera,
                first + day * _SIDEREAL_DAY + late / 86400.0,
                6000,
                4096,
                sky=Sky(
                    twilight=(6.0, 0.0)[number % 2],
                    twilight_time=60.0,
                    moon=(0.0, 8.0, 14.0)[number % 3],
                    scattered=0.005,
                    airglow=0.04,
                ),
                seeing=Seeing(1.3, 1.75, 150.0),
            )
        )
    return Scenario(
        name="season",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=tuple(s for night in nights for s in night),
        # Many stars, few of them saturated: most rows of the score can be judged.
        stars=FieldSpec(density=2000.0, slope=0.3, bright=1.2e6, moving_rate=1.0),
        detector=DetectorSpec(dust=4, bent=1),
        clock_error=1.9,
        zero_point=_zero_point(512),
        segment_lines=2560,
        calibrated_strips=True,
        # The mirror of the optics is cleaned before the fourth night; other dust settles.
        response_changes=(nights[3][0].night,),
    )


def _stray(_columns: int, _lines: int, _stages: int) -> Scenario:
    """One short night of many stars whose sky light misses the optics in part."""
    camera = make_camera(256, 256)
    strips = plan_night(
        camera,
        _FIRST,
        2304,
        1024,
        sky=Sky(moon=14.0),
        seeing=Seeing(1.4, 1.6, 150.0),
    )
    return Scenario(
        name="stray",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=strips,
        # Bright stars tell columns apart.
        stars=FieldSpec(density=3200.0, slope=0.3, variables=0, new=0, moving=0),
        detector=DetectorSpec(dust=2, hot=1, cosmic_rate=10.0, stray=0.08),
        clock_error=2.6,
        zero_point=_zero_point(256),
    )


def _faults(_columns: int, _lines: int, _stages: int) -> Scenario:
    """Nights with one known fault each, for the verdicts of the morning."""
    camera = make_camera(512, 256)
    lines = 6144
    return Scenario(
        name="faults",
        site=_SITE,
        camera=camera,
        guess=Guess(),
        strips=plan_fault_nights(camera, _SITE.longitude, _FIRST, lines),
        stars=FieldSpec(density=2400.0, slope=0.5, variables=0, new=0, moving=0),
        detector=DetectorSpec(dust=4, hot=1),
        clock_error=2.6,
        zero_point=_zero_point(256),
        segment_lines=lines,
    )


_BUILDERS: dict[str, Callable[[int, int, int], Scenario]] = {
    "demo": _demo,
    "wide": _wide,
    "night": _night,
    "season": _season,
    "small": _small,
    "stray": _stray,
    "faults": _faults,
}
NAMES = tuple(_BUILDERS)


def build_scenario(
    name: str,
    *,
    columns: int = 1024,
    lines: int = 20_000,
    stages: int | None = None,
    seed: int | None = None,
) -> Scenario:
    """Build a named scenario.

    Parameters
    ----------
    name : str
        One of `NAMES`.
    columns, lines, stages : int
        For `night` only; `stages` (rows that integrate) is at most 1024 unless given.
    seed : int, optional
        Of everything random.

    Returns
    -------
    Scenario

    Raises
    ------
    ValueError
        If there is no such scenario.
    """
    if name not in _BUILDERS:
        msg = f"scenario must be one of {', '.join(NAMES)}, got {name!r}"
        raise ValueError(msg)
    scenario = _BUILDERS[name](columns, lines, min(columns, 1024) if stages is None else stages)
    return scenario if seed is None else replace(scenario, seed=seed)
