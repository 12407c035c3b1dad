"""Settings of the observer: what `make` is told, and which way a camera turns."""

import json

import numpy as np
import pytest

from pipeline.geometry.advice import make_advice
from pipeline.geometry.camera import Camera
from pipeline.geometry.solution import StripSolution
from synthetic.__main__ import main
from synthetic.camera import project
from synthetic.plain import build_plain
from synthetic.settings import change_settings, read_advice

MJD = 60737.1


def plain(column_sign=1, **changes):
    return build_plain(
        latitude=-35.0,
        columns=512,
        n_stage=512,
        pixel_scale=0.55,
        n_lines=2000,
        mjd_start=MJD,
        column_sign=column_sign,
        **changes,
    )


def drift(camera):
    """Columns by which the star on the axis moves from a quarter of a degree east to west."""
    h = np.radians(camera.axis_hour_angle + np.array([-0.25, 0.25]))
    x, y = project(camera, h, np.full(2, np.radians(camera.axis_declination)))
    assert y[1] < y[0]  # from the top row towards the register
    return x[1] - x[0]


@pytest.mark.parametrize("column_sign", [1, -1])
def test_a_positive_change_turns_growing_columns_to_the_west(column_sign):
    """West of the axis, at its declination, lie larger columns than before; east smaller ones.

    A star therefore leaves at a larger column than it entered at.
    """
    before = plain(column_sign)
    after = change_settings(before, rotation_change=0.5)
    d = np.radians([before.camera.axis_declination])
    west = np.radians([before.camera.axis_hour_angle + 0.05])  # hour angle grows to the west
    at = [project(s.camera, west, d)[0][0] for s in (before, after)]
    assert at[1] > at[0] + 0.5
    assert drift(after.camera) > abs(drift(before.camera)) + 1
    assert drift(change_settings(before, rotation_change=-0.5).camera) < -1
    # The far pole of the columns: larger column numbers lie north of the axis for sign +1.
    north = project(before.camera, np.zeros(1), d + 1e-4)[0][0]
    assert np.sign(north - before.camera.centre[0]) == column_sign


@pytest.mark.parametrize("column_sign", [1, -1])
@pytest.mark.parametrize("rotation", [0.4, -0.25])
def test_the_advised_change_straightens_the_simulated_camera(column_sign, rotation):
    """Advice from the pipeline's geometry, taken as it stands, leaves no trail in the simulator.

    Polar motion and the observer's speed turn the two norths by less than 2e-4 deg.
    """
    scenario = plain(column_sign, rotation=rotation, rate_error=2e-3)
    camera = scenario.camera
    solution = StripSolution.first_guess(
        latitude_deg=scenario.site.latitude,
        longitude_deg=scenario.site.longitude,
        height_m=scenario.site.height,
        axis_declination_deg=camera.axis_declination,
        axis_hour_angle_deg=camera.axis_hour_angle,
        camera=Camera.from_arcsec(
            pixel_scale=camera.pixel_scale,
            n_columns=512,
            n_stage=512,
            rotation_deg=rotation,
            column_sign=column_sign,
        ),
        line_period=camera.line_period,
        mjd_start=MJD,
        n_lines=2000,
    )
    advice = make_advice(solution, nominal_pixel_scale=0.55)
    change = advice.rotation_change_deg.value
    assert change == -advice.rotation_deg.value
    assert change == pytest.approx(-rotation, abs=5e-4)
    better = change_settings(
        scenario, line_period=advice.line_period.value, rotation_change=change
    ).camera
    assert better.rotation == pytest.approx(0, abs=5e-4)
    # A quarter of a degree either side is 1600 px of drift.
    assert abs(drift(better)) < 0.03
    assert better.line_period == pytest.approx(camera.line_period / 1.002, rel=1e-5)
    # In words, by the sky: growing columns that point too far west are to move east.
    text = " ".join(advice.sentences(liquid_mirror=False))
    assert f"numbers grow moves to the {'east' if rotation > 0 else 'west'}" in text


def test_command_sets_and_follows(tmp_path):
    """Options count from the scenario; advice is applied after them."""
    size = ["--columns", "64", "--lines", "300", "--stages", "48", "--workers", "1"]
    wrong = ["--line-period", "0.0531", "--rotation-change", "0.25"]
    assert main(["make", "night", str(tmp_path / "one"), *size, *wrong]) == 0
    first = json.loads((tmp_path / "one/truth/scenario.json").read_text())
    assert first["line_period_s"] == 0.0531
    assert first["rotation_deg"] == pytest.approx(0.15 + 0.25)
    advice = {"line_period": {"value": 0.0528}, "rotation_change_deg": {"value": -0.4}}
    path = tmp_path / "solution.json"
    path.write_text(json.dumps({"advice": advice}))
    assert read_advice(path) == (0.0528, -0.4)
    options = [*size, *wrong, "--advice", str(path)]
    assert main(["make", "night", str(tmp_path / "two"), *options]) == 0
    second = json.loads((tmp_path / "two/truth/scenario.json").read_text())
    assert second["line_period_s"] == 0.0528
    assert second["rotation_deg"] == pytest.approx(0.0, abs=1e-12)
    configuration = [(tmp_path / n / "observatory.toml").read_text() for n in ("one", "two")]
    assert configuration[0] == configuration[1]


def test_bad_settings_are_refused(tmp_path, capsys):
    scenario = plain()
    with pytest.raises(ValueError, match="line_period must be positive seconds, got 0"):
        change_settings(scenario, line_period=0.0)
    with pytest.raises(ValueError, match="within 45 deg of the drift, got 60"):
        change_settings(scenario, rotation_change=60.0)
    path = tmp_path / "solution.json"
    path.write_text("{}")
    with pytest.raises(ValueError, match="holds no advice on line period and rotation"):
        read_advice(path)
    out = str(tmp_path / "x")
    assert main(["make", "small", out, "--advice", str(path)]) == 2
    assert "holds no advice" in capsys.readouterr().err
