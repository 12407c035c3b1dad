"""What the observer should change before the next night, and what it would gain."""

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from pipeline.geometry.camera import FloatArray
from pipeline.geometry.solution import StripSolution

__all__ = ["Advice", "Value", "make_advice"]

N_COLUMNS = 65  # columns sampled for the mean smear
STEPS = {  # for numerical derivatives; every quantity is close to linear over these
    "declination_deg": 1e-3,
    "hour_angle_deg": 1e-3,
    "clock_offset_s": 1e-2,
    "pixel_scale_arcsec": 1e-5,
    "rotation_deg": 1e-3,
    "k1": 1e-3,
    "k2": 1e-3,
    "aspect": 1e-5,
    "skew": 1e-5,
}


@dataclass(frozen=True)
class Value:
    """A number with its standard error; the error is NaN where the fit gave none."""

    value: float
    error: float


@dataclass(frozen=True)
class Advice:
    """Advice to the observer.

    Smears are root-mean-square widths of the star's motion over the imaging columns, in pixels,
    without the clocking boxcar: what the motion adds in quadrature to the width of the image.

    Attributes
    ----------
    line_period : Value
        Seconds per line at which a star in the middle column keeps pace with its charge, once the
        camera is turned as advised.
    line_period_change : Value
        Relative change from the present line period.
    rotation_deg : Value
        Present angle of the columns' trail at the middle of the chip, degrees: positive where the
        direction in which column numbers grow points too far west, so that a star leaves at a
        larger column than it entered at. That holds for either `column_sign`.
    rotation_change_deg : Value
        What to add to the camera's rotation: the negative of `rotation_deg`. A negative change
        turns the direction in which column numbers grow to the east.
    spin_rate_error : Value
        Relative excess of the spin rate of a rotating-liquid mirror (``f = g / (2 Omega^2)``)
        over the one that gives the nominal pixel scale.
    smear_line_now, smear_column_now : float
        With the present settings, pixels rms.
    smear_line_new, smear_column_new : float
        With the advised line period and rotation, pixels rms.
    """

    line_period: Value
    line_period_change: Value
    rotation_deg: Value
    rotation_change_deg: Value
    spin_rate_error: Value
    smear_line_now: float
    smear_column_now: float
    smear_line_new: float
    smear_column_new: float

    def to_dict(self) -> dict[str, Any]:
        """Nested plain numbers, for JSON; an unknown error is None."""
        content = asdict(self)
        for entry in content.values():
            if isinstance(entry, dict) and not np.isfinite(entry["error"]):
                entry["error"] = None
        return content

    def sentences(self, *, liquid_mirror: bool) -> tuple[str, ...]:
        """The same in words, one sentence per setting.

        Parameters
        ----------
        liquid_mirror : bool
            The primary mirror is a rotating liquid, whose spin sets the scale.
        """
        spin = self.spin_rate_error
        period = (
            f"Set the line period to {self.line_period.value:.7f} s "
            f"(+- {self.line_period.error:.1g} s), "
            f"{100 * self.line_period_change.value:+.4f} % from now; "
            f"smear along the scan {self.smear_line_now:.2f} px rms now, "
            f"{self.smear_line_new:.2f} px with all settings changed."
        )
        rotation = (
            f"The camera is rotated by {self.rotation_deg.value:+.4f} deg "
            f"(+- {self.rotation_deg.error:.1g} deg) against the drift: turn it by "
            f"{abs(self.rotation_deg.value):.4f} deg so that the direction in which column "
            f"numbers grow moves to the {'east' if self.rotation_deg.value > 0 else 'west'}; "
            f"smear across the scan {self.smear_column_now:.2f} px rms now, "
            f"{self.smear_column_new:.2f} px with all settings changed."
        )
        if not liquid_mirror:
            # For a mirror of glass the scale is a measurement, nothing to be set.
            return period, rotation
        speed = (
            f"The rotating-liquid mirror spins {1e6 * spin.value:+.1f} ppm "
            f"(+- {1e6 * spin.error:.1g} ppm) off the rate for the nominal pixel scale."
        )
        return period, rotation, speed


def _matched_period(solution: StripSolution) -> float:
    """Line period for which the middle column's transit lasts exactly ``n_stage`` lines."""
    middle = 0.5 * (solution.camera.n_columns - 1.0)
    return solution.line_period * float(solution.exposure_ratio(middle))


def _trail_angle(solution: StripSolution) -> float:
    """Angle of the middle column's trail against the columns, degrees."""
    middle = 0.5 * (solution.camera.n_columns - 1.0)
    strip = solution.strip_map
    trail = float(strip.evaluate("trail", strip.declination(middle)))
    return float(np.degrees(np.arctan2(trail, solution.camera.n_stage)))


def _smear(solution: StripSolution) -> tuple[float, float]:
    columns: FloatArray = np.linspace(0.0, solution.camera.n_columns - 1.0, N_COLUMNS)
    ll, _, cc = solution.smear(columns)
    return float(np.sqrt(np.mean(ll))), float(np.sqrt(np.mean(cc)))


def _propagate(solution: StripSolution, values: FloatArray) -> FloatArray:
    """Standard errors of quantities of which `values` are the derivatives by parameter."""
    variance = np.einsum("qi,ij,qj->q", values, solution.covariance, values)
    return np.sqrt(np.maximum(variance, 0.0))


def make_advice(solution: StripSolution, *, nominal_pixel_scale: float) -> Advice:
    """Derive advice to the observer from a fitted solution.

    Parameters
    ----------
    solution : StripSolution
        With covariance; without, all errors are NaN.
    nominal_pixel_scale : float
        Pixel scale that the mirror is meant to give, arcsec.

    Returns
    -------
    Advice

    Raises
    ------
    ValueError
        If `nominal_pixel_scale` is not positive.
    """
    if not nominal_pixel_scale > 0:
        raise ValueError(f"nominal_pixel_scale must be positive, got {nominal_pixel_scale}")

    def quantities(s: StripSolution) -> FloatArray:
        # scale ~ f ~ Omega^-2 and the pixel scale ~ 1 / f, so Omega ~ sqrt(pixel scale).
        spin = np.sqrt(s.camera.pixel_scale / nominal_pixel_scale) - 1.0
        return np.array([_matched_period(_turned(s)), _trail_angle(s), spin])

    period, angle, spin = quantities(solution)
    names = solution.parameter_names
    errors = np.full(3, np.nan)
    if names:
        derivatives = np.zeros((3, len(names)))
        for i, name in enumerate(names):
            value, step = solution.parameters[name], STEPS[name]
            high = quantities(solution.with_parameters(**{name: value + step}))
            low = quantities(solution.with_parameters(**{name: value - step}))
            derivatives[:, i] = (high - low) / (2.0 * step)
        errors = _propagate(solution, derivatives)
        for k, name in ((1, "rotation_deg"), (2, "pixel_scale_arcsec")):
            if name not in names:  # held: the fit says nothing about it
                errors[k] = np.nan
        if "pixel_scale_arcsec" not in names:
            errors[0] = np.nan
    line_now, column_now = _smear(solution)
    line_new, column_new = _smear(_improved(solution))
    return Advice(
        line_period=Value(float(period), float(errors[0])),
        line_period_change=Value(
            float(period / solution.line_period - 1.0), float(errors[0] / solution.line_period)
        ),
        rotation_deg=Value(float(angle), float(errors[1])),
        rotation_change_deg=Value(-float(angle), float(errors[1])),
        spin_rate_error=Value(float(spin), float(errors[2])),
        smear_line_now=line_now,
        smear_column_now=column_now,
        smear_line_new=line_new,
        smear_column_new=column_new,
    )


def _turned(solution: StripSolution) -> StripSolution:
    """Solution with the advised rotation."""
    rotation = solution.parameters["rotation_deg"] - _trail_angle(solution)
    return solution.with_parameters(rotation_deg=rotation)


def _improved(solution: StripSolution) -> StripSolution:
    """Solution with the advised rotation and line period."""
    turned = _turned(solution)
    return replace(turned, line_period=_matched_period(turned))
