"""A scenario without any complication, for experiments: one strip, a perfect chip, any pointing."""

from __future__ import annotations

from synthetic.scenario import (
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

__all__ = ["build_plain"]

_OVERSCAN = 16


def build_plain(
    *,
    latitude: float,
    columns: int,
    n_stage: int,
    pixel_scale: float,
    n_lines: int,
    mjd_start: float,
    longitude: float = 0.0,
    declination: float | None = None,
    hour_angle: float = 0.0,
    column_sign: int = 1,
    rotation: float = 0.0,
    rate_error: float = 0.0,
    fwhm: float = 2.5,
    zero_point: float = 26.0,
    sky: float = 0.0,
    noise: bool = False,
    seed: int = 1,
) -> Scenario:
    """Describe one strip seen by a perfect chip with one amplifier.

    Parameters
    ----------
    latitude, longitude : float
        Site, deg.
    columns, n_stage : int
        Chip.
    pixel_scale : float
        Arcsec per pixel.
    n_lines : int
        Lines of the strip.
    mjd_start : float
        UTC at which line 0 leaves the register.
    declination, hour_angle : float
        Apparent place of the axis, deg; default the zenith.
    column_sign, rotation
        Camera.
    rate_error : float
        Line period over the matched one, minus 1.
    fwhm : float
        Seeing, px.
    zero_point : float
        Magnitude that gives one electron in a full crossing.
    sky : float
        Electrons per pixel that the sky gives in a full column.
    noise : bool
        Whether there is Poisson and read noise.
    seed : int
        Of everything random.

    Returns
    -------
    Scenario
        The configuration file written with it states the truth.
    """
    axis = latitude if declination is None else declination
    period = find_matched_period(pixel_scale, axis) * (1.0 + rate_error)
    amplifier = AmplifierSpec(
        "A", (0, columns), (columns, columns + _OVERSCAN), (0, columns), gain=1.5
    )
    camera = CameraSpec(
        columns=columns,
        n_stage=n_stage,
        pixel_scale=pixel_scale,
        rotation=rotation,
        column_sign=column_sign,
        axis_declination=axis,
        axis_hour_angle=hour_angle,
        line_period=period,
        amplifiers=(amplifier,),
    )
    night = name_night(mjd_start, longitude)
    width = fwhm * pixel_scale
    strip = StripPlan(
        name=f"{night}_s01",
        night=night,
        mjd_start=mjd_start,
        n_lines=n_lines,
        sky=Sky(level=sky / camera.exposure),
        seeing=Seeing(width, width),
    )
    return Scenario(
        name="plain",
        site=Site("Nowhere (invented)", latitude, longitude, 0.0),
        camera=camera,
        guess=Guess(
            pixel_scale=pixel_scale,
            rotation=rotation,
            declination=declination,
            hour_angle=hour_angle,
        ),
        strips=(strip,),
        stars=FieldSpec(variables=0, new=0, moving=0),
        detector=DetectorSpec(flat=True, overscan_drift=0.0, cosmic_rate=0.0, full_well=1e9),
        zero_point=zero_point,
        poisson=noise,
        read=noise,
        seed=seed,
    )
