"""What an observer can change between two strips, and the advice that tells how."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

from synthetic.scenario import Scenario

__all__ = ["change_settings", "read_advice"]


def change_settings(
    scenario: Scenario, *, line_period: float | None = None, rotation_change: float = 0.0
) -> Scenario:
    """What an observer can set: the line period, and the camera turned from where it was.

    Parameters
    ----------
    scenario : Scenario
        Run with the settings as they were.
    line_period : float, optional
        Seconds per line, instead of the one that was set.
    rotation_change : float
        Deg to add to the camera's rotation. Positive turns the direction in which column numbers
        grow to the west, whichever way the columns are numbered.

    Returns
    -------
    Scenario
        The configuration written with it is unchanged: the observer sets hardware.

    Raises
    ------
    ValueError
        If the line period is not positive or the camera ends more than 45 deg off the drift.
    """
    camera = scenario.camera
    period = camera.line_period if line_period is None else line_period
    if not period > 0 or not math.isfinite(period):
        msg = f"line_period must be positive seconds, got {period!r}"
        raise ValueError(msg)
    rotation = camera.rotation + rotation_change
    if not abs(rotation) < 45:
        msg = f"rotation_change must leave the camera within 45 deg of the drift, got {rotation!r}"
        raise ValueError(msg)
    return replace(scenario, camera=replace(camera, line_period=period, rotation=rotation))


def read_advice(path: str | Path) -> tuple[float, float]:
    """Line period (s) and rotation change (deg) that a strip's solution.json advises.

    Parameters
    ----------
    path : str or Path
        JSON that holds `advice` with `line_period` and `rotation_change_deg`, each with `value`.

    Returns
    -------
    line_period, rotation_change : float

    Raises
    ------
    ValueError
        If the file cannot be read or lacks the advice.
    """
    try:
        advice = json.loads(Path(path).read_text(encoding="utf-8"))["advice"]
        return (
            float(advice["line_period"]["value"]),
            float(advice["rotation_change_deg"]["value"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        msg = f"{path}: holds no advice on line period and rotation ({error!r})"
        raise ValueError(msg) from error
