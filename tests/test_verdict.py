"""Facts of a night as products tell them, against what was simulated."""

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from pipeline.config import load_config
from pipeline.flags import MASK_MEANINGS
from pipeline.flats import Flats
from pipeline.io.solution import write_json
from pipeline.report.page import write_report
from pipeline.verdict import (
    Judging,
    VerdictLimits,
    _compare_flats,
    _find_failures,
    judge,
    judging_of,
    read_facts,
    read_judging,
    read_night_facts,
)
from synthetic.fault_nights import plan_fault_nights
from synthetic.make import make
from synthetic.scenarios import build_scenario, make_camera

pytestmark = pytest.mark.xdist_group("reduction")
NIGHT = "2025-03-02"


def test_facts_of_a_small_night(reduced):
    facts = read_night_facts(reduced[0], NIGHT)
    (strip,) = facts.strips
    assert strip.solved
    assert 1.4 < strip.seeing < 1.6  # arcsec; so wide is the simulated air
    assert abs(strip.period_change) < 1e-3
    assert strip.rotation_err < 0.02
    assert strip.sky_usual <= strip.sky
    assert abs(strip.dimming) < 0.01
    assert facts.failed == ()
    assert np.isfinite(facts.flat_change)
    assert facts.flat_others == 1
    assert [share for _, _, share in facts.dead_columns] == [0.5, 0.5]
    assert judge(facts).word == "good"


def test_a_night_without_products_is_bad(reduced):
    verdict = judge(read_night_facts(reduced[0], "1999-01-01"))
    assert verdict.word == "bad"
    assert verdict.findings[0].fault == "no products"


def test_pixels_of_trails_are_those_of_the_masks(reduced):
    """Trails are found after other masks were counted, and were once counted as none."""
    bit = next(m.bit for m in MASK_MEANINGS if m.name == "TRAIL")
    counts = {}
    for path in sorted(reduced[0].glob("strips/*/*/solution.json")):
        content = json.loads(path.read_text())
        masks = [fits.getdata(p, "MASK") for p in sorted(path.parent.glob("calibrated-*.fits"))]
        assert content["masked_pixels"]["TRAIL"] == sum(np.count_nonzero(m & bit) for m in masks)
        counts[path.parent.name] = content["masked_pixels"]["TRAIL"]
    assert max(counts.values()) > 1000  # one night has a satellite


def test_what_the_configuration_expects_goes_before_other_nights(reduced):
    plain = read_facts(reduced[0], [NIGHT])[NIGHT].strips[0]
    told = Judging(zero_point={"r": 30.0}, dark_sky={"r": 21.0})
    (strip,) = read_facts(reduced[0], [NIGHT], told)[NIGHT].strips
    # header: 256 rows of the line period; 27.4 mag gives one electron in a crossing
    exposure = 256 * 0.0529
    assert strip.dimming == pytest.approx(30.0 + 2.5 * np.log10(exposure) - 27.4, abs=0.02)
    usual = 10 ** (-0.4 * (21.0 - (strip.dimming + 27.4))) * 0.55**2
    assert strip.sky_usual == pytest.approx(usual, rel=0.03)
    assert (strip.seeing, strip.sky) == (plain.seeing, plain.sky)


def test_limits_of_the_configuration_reach_the_report_and_stay(reduced, small, tmp_path):
    config = load_config(small / "observatory.toml")
    assert judging_of(config).limits == VerdictLimits()  # defaults are stated twice, alike
    strict = judging_of(config.with_value("verdict.pixels", (1e-6, 0.9)))
    page = reduced[0] / "report" / NIGHT / "numbers.json"
    try:
        write_report(reduced[0], strict)
        assert json.loads(page.read_text())["verdict"] == "usable"  # of one dead column
        write_report(reduced[0])
        assert json.loads(page.read_text())["verdict"] == "usable"
    finally:
        write_report(reduced[0], judging_of(config))
    assert json.loads(page.read_text())["verdict"] == "good"
    write_json(tmp_path / "limits.json", strict.to_dict())
    assert read_judging(tmp_path / "limits.json") == strict
    assert read_judging(tmp_path / "none.json") == Judging()


def flat(night, *, dust=0.0, mask=()):
    values = np.ones(64)
    values[20:40] -= dust
    table = {
        "response": values, "response_err": np.full(64, 3e-4), "mask": np.isin(range(64), mask)
    }  # fmt: skip
    return night, table


@pytest.mark.parametrize(
    ("nights", "change", "alike"),
    [
        ([flat("1"), flat("2"), flat("3")], 0.0, None),
        ([flat("1", dust=0.05), flat("2"), flat("3")], 0.05, 0),
        ([flat("1", dust=0.05), flat("2", dust=0.05), flat("3"), flat("4"), flat("5")], 0.05, 1),
        ([flat("1", dust=0.05, mask=range(18, 42)), flat("2"), flat("3")], 0.0, None),
        ([flat("1", dust=0.05), flat("2")], 0.05, 0),
    ],
)
def test_a_response_is_compared_with_the_median_of_the_others(tmp_path, nights, change, alike):
    vectors = {tmp_path / night / "1_r_response.fits": table for night, table in nights}
    found = _compare_flats(Flats(vectors, {}), "1")
    assert found["flat_change"] == pytest.approx(change, abs=1e-9)
    assert found["flat_others"] == len(nights) - 1
    if alike is not None:
        assert found["flat_alike"] == alike
        assert 20 <= found["flat_column"] < 40


@pytest.mark.parametrize("n_nights", [2, 3, 4, 7])
def test_the_usual_response_is_the_median_of_all_but_one(tmp_path, n_nights):
    """The columns are sorted once for all nights; numpy's median over the others says the same."""
    rng = np.random.default_rng(n_nights)
    values = np.round(1.0 + 0.01 * rng.standard_normal((n_nights, 64)), 2)  # with equal ones
    mask = rng.random(values.shape) < 0.3
    vectors = {
        tmp_path / str(night) / "1_r_response.fits": {
            "response": values[night], "response_err": np.full(64, 3e-4), "mask": mask[night]
        }
        for night in range(n_nights)
    }  # fmt: skip
    flats = Flats(vectors, {})
    values[mask] = np.nan
    for number, path in enumerate(vectors):
        others = np.delete(values, number, axis=0)
        usual = np.full(64, np.nan)
        known = np.isfinite(others).any(axis=0)
        usual[known] = np.nanmedian(others[:, known], axis=0)
        change = values[number] / usual - 1.0
        expected = change - np.nanmedian(change)
        np.testing.assert_array_equal(flats.change(path).relative, expected)


def row(step, strip="a", state="ok", block=None):
    return {"night": "n", "strip": strip, "step": step, "state": state, "block": block}


def test_failures_are_counted_in_lines_of_blocks_not_in_steps():
    ledger = [row("search", block=[s, s + 512]) for s in (0, 512, 1024, 1536)]
    ledger += [row("geometry"), row("catalogue")]
    one = row("measure", state="failed", block=[512, 1024])
    assert _find_failures(ledger, [one], "n")[1] == 0.25
    assert _find_failures(ledger, [one, {**one, "step": "search"}], "n")[1] == 0.25
    assert _find_failures(ledger, [row("catalogue", state="failed")], "n")[1] == 1.0
    assert _find_failures(ledger, [row("tiles", state="failed")], "n")[1] == 0.0
    assert _find_failures([], [row("read", state="failed")], "n")[1] == 1.0
    assert _find_failures(ledger, [one], "another night") == ((), 0.0)


@pytest.fixture(scope="module")
def three(tmp_path_factory, run_reduction):
    """A fine night, one behind an even cloud, one with a dead amplifier; small and short."""
    out = tmp_path_factory.mktemp("faults")
    camera = make_camera(256, 192)
    whole = build_scenario("faults")
    wanted = ("none", "even thin cloud", "dead amplifier")
    strips = plan_fault_nights(camera, whole.site.longitude, 60737.02, 2048)
    nights = {p.fault.name: p.night for p in strips if p.fault.name in wanted}
    scenario = replace(
        whole, camera=camera, strips=tuple(p for p in strips if p.night in nights.values()),
        zero_point=27.1, segment_lines=2048,
    )  # fmt: skip
    make(scenario, out, workers=1)
    run_reduction(out, out / "products")
    return out


def test_verdicts_of_three_short_nights(three, measuring):
    table = measuring("verdicts")
    rows = []
    for truth in json.loads((three / "truth" / "faults.json").read_text()):
        page = three / "products" / "report" / truth["night"] / "numbers.json"
        rows.append(table.compare(truth, json.loads(page.read_text())))
    assert [r.fault for r in rows] == ["even thin cloud", "dead amplifier", "none"]
    assert [r.wrong for r in rows] == [(), (), ()], rows
    assert [r.given for r in rows] == ["bad", "bad", "good"]


def test_the_table_tells_wrong_words_values_and_alarms(measuring, capsys):
    table = measuring("verdicts")
    truth = {"night": NIGHT, "fault": "defocus", "fwhm_arcsec": 3.3}
    finding = {"fault": "defocus", "severity": "bad", "value": 3.31, "error": 0.01,
               "unit": "arcsec", "text": "wide."}  # fmt: skip
    told = {"verdict": "bad", "findings": [finding], "unjudged": ["nothing else"]}
    right = table.compare(truth, told)
    assert right.wrong == ()
    assert table.compare(truth, {**told, "verdict": "good"}).wrong == ("verdict",)
    assert table.compare(truth, {**told, "findings": []}).wrong == ("fault not named",)
    off = {**told, "findings": [{**finding, "value": 2.9}]}
    assert table.compare(truth, off).wrong == ("value",)
    alarm = table.compare({**truth, "fault": "none"}, told)
    assert alarm.wrong == ("verdict", "false alarm")
    table.print_table([right, alarm])
    assert "bad: defocus: wide." in capsys.readouterr().out
