"""Fifteen nights of one band of sky, each but two with one known fault."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synthetic.scenario import (
    CameraSpec,
    Cloud,
    Fault,
    Seeing,
    Sky,
    StripPlan,
    name_night,
)

__all__ = ["plan_fault_nights"]

_CLOSED_LINES = 1536
_SIDEREAL_DAY = 86164.0905 / 86400.0  # d; from memory of the Almanac
# Twilight fades at the start of every strip: the slope of a column's level on it is its response.
_SKY = Sky(twilight=4.0, twilight_time=35.0, airglow=0.03)
_AIR = Seeing(1.35, 1.6, 150.0)


@dataclass(frozen=True)
class _Night:
    """What a night has instead of a fine night's."""

    fault: Fault
    sky: Sky = _SKY
    seeing: Seeing = _AIR
    clouds: tuple[Cloud, ...] = ()
    extinction: float = 0.0
    satellites: int = 0


def _list_nights(columns: int, lines: int) -> tuple[_Night, ...]:
    return (
        _Night(Fault("none")),
        _Night(Fault("passing cloud"), clouds=(Cloud(0.6 * lines, 0.08 * lines, 1.0),)),
        _Night(Fault("thick cloud"), extinction=7.0),
        _Night(Fault("clouded out"), extinction=10.5),
        _Night(Fault("even thin cloud"), extinction=1.0),
        _Night(Fault("defocus"), seeing=replace(_AIR, blur=3.0)),
        _Night(Fault("bad seeing"), seeing=Seeing(2.0, 2.9, 150.0)),
        _Night(Fault("clock error", period_error=0.025)),
        _Night(Fault("rotated camera", rotation=1.4)),
        _Night(Fault("bright moon"), sky=replace(_SKY, moon=30.0, scattered=0.005)),
        _Night(Fault("dead amplifier", dead_amplifier="B")),
        _Night(Fault("lost lines", lost_at=int(0.55 * lines), lost_lines=37)),
        _Night(
            Fault(
                "dirty flat",
                grains=((0.2 * columns, 14.0, 0.06), (0.71 * columns, 22.0, 0.04)),
            )
        ),
        _Night(Fault("satellite storm"), satellites=26),
        _Night(Fault("none")),
    )


def plan_fault_nights(
    camera: CameraSpec, longitude: float, mjd: float, lines: int
) -> tuple[StripPlan, ...]:
    """One science strip a night and one with the shutter closed after it.

    Parameters
    ----------
    camera : CameraSpec
        As it should be.
    longitude : float
        Of the site, deg.
    mjd : float
        UTC of the first strip; each night begins a sidereal day later.
    lines : int
        Of a science strip.

    Returns
    -------
    tuple of StripPlan
    """
    strips: list[StripPlan] = []
    for number, night in enumerate(_list_nights(camera.columns, lines)):
        start = mjd + number * _SIDEREAL_DAY
        name = name_night(start, longitude)
        science = StripPlan(
            name=f"{name}_s01",
            night=name,
            mjd_start=start,
            n_lines=lines,
            sky=night.sky,
            seeing=night.seeing,
            clouds=night.clouds,
            satellites=night.satellites,
            extinction=night.extinction,
            fault=night.fault,
        )
        closed = StripPlan(
            name=f"{name}_s02",
            night=name,
            mjd_start=start + (1.1 * lines * camera.line_period + 90.0) / 86400.0,
            n_lines=_CLOSED_LINES,
            shutter_open=False,
            # The clock runs as before.
            fault=Fault(period_error=night.fault.period_error),
        )
        strips += [science, closed]
    return tuple(strips)
