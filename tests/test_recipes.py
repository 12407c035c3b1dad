"""Recipes: every key of the configuration makes something old, or is known to decide nothing."""

from pathlib import Path

import pytest

from pipeline.config import load_config
from pipeline.plan import PlanRow, group_rows
from pipeline.recipes import STEPS, Recipe, base_parts, compare_recipes, configured

CONFIG = Path(__file__).parents[1] / "configs" / "saltpan-ridge.toml"

# What these say reaches recipes as facts of the strips that were found, never as the key itself.
THROUGH_STRIPS = (
    "raw.pattern", "raw.width", "raw.time_refers_to", "raw.start_time_format",
    "raw.time_tolerance", "raw.starts_full", "raw.first_segment", "raw.line_rate_given",
    "raw.shutter_closed_values", "raw.keywords", "raw.constants",
)  # fmt: skip
# These choose what is done, where, or what is looked at; what is done is the same.
CHOICES = (
    "calibration.register_file", "detection.block_lines", "tiles.filters", "stack.min_epochs",
    "products.calibrated_strips", "products.full_checksums", "verdict", "compute",
    "cluster",
)  # fmt: skip


def leaves(value, name=""):
    if isinstance(value, dict):
        for word, inner in value.items():
            yield from leaves(inner, f"{name}.{word}" if name else word)
    else:
        yield name


def within(name, keys):
    return any(name == key or name.startswith(f"{key}.") for key in keys)


def test_no_key_is_forgotten():
    names = set(leaves(load_config(CONFIG).model_dump(mode="json")))
    used = [key for step in STEPS.values() for key in step.keys]
    assert {n for n in names if not within(n, (*used, "reference.path"))} == {
        n for n in names if within(n, (*THROUGH_STRIPS, *CHOICES))
    }


def test_no_step_names_a_key_that_is_not_there():
    names = set(leaves(load_config(CONFIG).model_dump(mode="json")))
    for step in STEPS.values():
        for key in step.keys:
            assert any(within(name, (key,)) for name in names), f"{step.name}: {key}"


@pytest.mark.parametrize(
    ("key", "value", "steps"),
    [
        ("stack.clip", 7.5, {"stack"}),
        ("photometry.zero_point_knot", 33.0, {"catalogue"}),
        ("calibration.cosmic_threshold", 9.0, {"search", "measure", "calibrated strip", "tiles"}),
        ("detection.block_lines", 512, set()),
        ("compute.workers", 7, set()),
    ],
)
def test_a_key_touches_the_steps_that_use_it(key, value, steps):
    config = load_config(CONFIG)
    other = config.with_value(key, value)
    touched = {
        name for name, step in STEPS.items() if configured(config, step) != configured(other, step)
    }
    assert touched == steps


def test_reasons_are_in_words():
    config = load_config(CONFIG)
    old = base_parts(config, STEPS["stack"])
    new = base_parts(config.with_value("stack.clip", 7.5), STEPS["stack"])
    assert compare_recipes(old, new) == ["stack.clip: 4.0 -> 7.5"]
    assert compare_recipes(old, old) == []
    one = Recipe({**old, "upstream tiles: a": "1", "raw x.fits": "2" * 40})
    other = Recipe({**old, "upstream tiles: a": "3", "raw x.fits": "4" * 40, "lines": "0 to 9"})
    assert one.key != other.key
    assert compare_recipes(one.parts, other.parts) == [
        "lines: new", "raw x.fits: changed", "upstream: tiles",
    ]  # fmt: skip
    assert Recipe(dict(reversed(one.parts.items()))).key == one.key


def test_a_plan_of_many_nights_is_read_at_a_glance():
    rows = [
        PlanRow("search", night, f"{night}_s01", 3, 0, ["upstream: first geometry"], 2.0)
        for night in ("2025-03-02", "2025-03-03", "2025-03-10")
    ]
    rows.append(PlanRow("search", "2025-03-17", "2025-03-17_s01", 3, 0, ["raw file changed"], 1.0))
    rows.append(PlanRow("summary", "2025-03-02", "2025-03-02_s01", 0, 3))
    rows += [PlanRow("stack", "", tile, 1, 0, ["upstream: tiles"]) for tile in ("a", "b")]
    grouped = group_rows(rows)
    assert [(r.step, r.night, r.where, r.n_todo, r.n_stands) for r in grouped] == [
        ("search", "2025-03-02 to 2025-03-10", "3 in all", 9, 0),
        ("search", "2025-03-17", "2025-03-17_s01", 3, 0),
        ("summary", "2025-03-02", "2025-03-02_s01", 0, 3),
        ("stack", "", "2 in all", 2, 0),
    ]
    assert grouped[0].seconds == 6.0
    assert sum(r.n_todo for r in grouped) == sum(r.n_todo for r in rows)
