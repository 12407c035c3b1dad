"""The verdict: each fault by its own quantity, and never a better word for a worse night."""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages import depth_cost
from pipeline.stages.verdict import NightFacts, StripFacts, VerdictLimits, judge

FINE = StripFacts(
    "s01", n_sources=1500, sources_usual=1550, cloud=0.05, cloud_err=0.01, cloud_typical=0.01,
    dimming=0.02, dimming_err=0.01, seeing=1.4, seeing_err=0.02, seeing_usual=1.35,
    seeing_spread=0.06, spread_usual=0.05, sigma=1.08, smear_line=0.1, smear_column=0.1,
    period_change=1e-5, rotation=0.01, sky=200.0, sky_usual=190.0, sky_slope=0.02,
)  # fmt: skip
AMPLIFIERS = (("amplifier A", 0.004, 0.5), ("amplifier B", 0.0, 0.5))
NIGHT = NightFacts(
    "2025-03-02", (FINE,), dead_columns=AMPLIFIERS, flat_change=0.001, flat_change_err=0.001,
    flat_others=5,
)  # fmt: skip
CLOUDED_OUT = {"dimming": np.nan, "cloud": np.nan, "seeing": np.nan}

# what changes, in the strip or in the night: word, fault
FAULTS = [
    ({"cloud": 0.6}, {}, "usable", "cloud"),
    ({"cloud": 2.0}, {}, "usable", "cloud"),  # but half of the strip is clear
    ({"cloud": 2.0, "cloud_typical": 0.9}, {}, "bad", "cloud"),
    ({"dimming": 0.5}, {}, "usable", "even cloud"),
    ({"dimming": 1.0}, {}, "bad", "even cloud"),
    ({"seeing": 2.4, "seeing_spread": 0.04}, {}, "usable", "defocus"),
    ({"seeing": 2.4, "seeing_spread": 0.3}, {}, "usable", "seeing"),
    ({"seeing": 2.4, "spread_usual": np.nan}, {}, "usable", "seeing"),
    ({"seeing": 5.0, "seeing_spread": 0.04}, {}, "bad", "defocus"),
    ({"smear_line": 0.7, "period_change": 3e-3}, {}, "good", "clock error"),  # a note
    ({"smear_line": 1.8, "period_change": 3e-3}, {}, "usable", "clock error"),
    ({"smear_column": 5.0, "rotation": 0.9}, {}, "bad", "rotated camera"),
    ({"sky": 400.0}, {}, "usable", "bright sky"),
    ({"sky": 900.0}, {}, "bad", "bright sky"),
    ({"lost_lines": ((1200.0, 3.0, 37),)}, {}, "usable", "lost lines"),
    ({"trail_share": 0.06, "n_trails": 40}, {}, "usable", "satellites"),
    ({"solved": False, "unsolved": "no star"}, {}, "bad", "no solution"),
    ({**CLOUDED_OUT, "n_sources": 3}, {}, "bad", "no stars"),
    ({**CLOUDED_OUT, "n_sources": 0, "sources_usual": np.nan}, {}, "bad", "no stars"),
    ({}, {"dead_columns": (("A", 1.0, 0.5), ("B", 0.0, 0.5))}, "bad", "dead amplifier"),
    ({}, {"dead_columns": (("A", 1.0, 0.06), ("B", 0.0, 0.94))}, "usable", "dead amplifier"),
    ({}, {"dead_columns": (("A", 0.2, 0.5), ("B", 0.0, 0.5))}, "usable", "dead columns"),
    ({}, {"flat_change": 0.04, "flat_column": 77.0}, "usable", "dirty flat"),
    ({}, {"flat_change": 0.04, "flat_alike": 2}, "good", "changed response"),  # a note
    ({}, {"flat_change": 0.04, "flat_others": 1}, "good", "changed response"),  # a note
    ({}, {"failed": ("search: x",), "failed_share": 0.1}, "usable", "failed steps"),
    ({}, {"failed": ("tiles: x",), "failed_share": 0.0}, "usable", "failed steps"),
    ({}, {"failed": ("search: x",), "failed_share": 0.6}, "bad", "failed steps"),
    ({}, {"strips": ()}, "bad", "no products"),
]


def with_changes(strip, night):
    return replace(NIGHT, **{"strips": (replace(FINE, **strip),), **night})


def test_nothing_speaks_against_a_fine_night():
    assert judge(NIGHT) == judge(NIGHT, VerdictLimits())
    assert judge(NIGHT).word == "good"
    assert judge(NIGHT).findings == ()
    assert judge(NIGHT).unjudged == ()


def test_a_fine_strip_without_zero_point_says_that_cloud_was_not_judged():
    verdict = judge(with_changes({"cloud": np.nan, "dimming": np.nan}, {}))
    assert verdict.word == "good"
    assert verdict.unjudged == ("cloud over s01: it has no zero point",)
    alone = judge(with_changes({"dimming": np.nan}, {}))
    assert alone.unjudged == ("even cloud: no other night, and no verdict.zero_point",)


@pytest.mark.parametrize(("strip", "night", "word", "fault"), FAULTS)
def test_a_fault_is_named_alone_with_value_and_limit(strip, night, word, fault):
    verdict = judge(with_changes(strip, night))
    assert verdict.word == word
    (finding,) = verdict.findings
    assert finding.fault == fault
    assert finding.severity == ("note" if word == "good" else word)
    assert finding.text.endswith(".")
    if fault == "no stars":
        assert finding.value <= finding.limit
    elif fault not in ("no solution", "no products"):
        assert abs(finding.value) >= finding.limit


def test_what_was_not_measured_is_no_fault_but_is_told():
    verdict = judge(NightFacts("2025-03-02", (StripFacts("s01", n_sources=7),)))
    assert verdict.word == "good"
    told = " ".join(verdict.unjudged)
    for word in ("cloud over s01", "number of stars", "seeing", "sky", "response", "amplifiers"):
        assert word in told


def test_a_response_that_differs_from_one_other_night_blames_neither():
    facts = replace(NIGHT, flat_change=0.3, flat_others=1)
    assert judge(facts).word == "good"
    assert "cannot be told" in judge(facts).findings[0].text


def test_the_worst_comes_first():
    facts = with_changes({"cloud": 0.6, "smear_column": 5.0}, {})
    assert [f.severity for f in judge(facts).findings] == ["bad", "usable"]


def test_values_within_their_errors_of_the_limit_are_no_fault():
    assert judge(replace(NIGHT, flat_change=0.02, flat_change_err=0.01)).word == "good"
    for name, value in (("cloud", 0.5), ("dimming", 0.5), ("seeing", 2.0)):
        assert judge(with_changes({name: value, f"{name}_err": 0.01}, {})).word != "good"
        assert judge(with_changes({name: value, f"{name}_err": 0.2}, {})).word == "good"


def test_limits_may_be_set():
    limits = VerdictLimits(depth=(0.001, 0.01))
    assert judge(NIGHT, limits).word == "bad"
    assert {f.name for f in fields(VerdictLimits)} == {
        "depth", "pixels", "stars", "flat", "amplifier", "seeing",
    }  # fmt: skip


def test_good_seeing_elsewhere_goes_before_the_configured_width():
    assert judge(with_changes({"seeing_usual": 0.8}, {})).word == "usable"
    assert judge(with_changes({"seeing_usual": np.nan}, {})).word == "good"


def test_cost_in_depth_against_its_definition():
    """Signal over noise of a Gaussian star on a bright sky, summed over pixels."""
    at = np.arange(-40.0, 41.0)

    def ratio(light=1.0, sky=1.0, along=2.0, across=2.0):
        profile = np.exp(-0.5 * (at[:, None] / along) ** 2 - 0.5 * (at / across) ** 2)
        profile *= light / profile.sum()
        return np.sqrt(np.sum(profile**2) / sky)  # of the optimal filter

    best = ratio()
    mag, smear = 0.7, 3.1
    cases = [
        (depth_cost.cost_of_cloud(mag), ratio(light=10 ** (-0.4 * mag))),
        (depth_cost.cost_of_sky(2.3), ratio(sky=2.3)),
        (depth_cost.cost_of_width(1.7), ratio(along=3.4, across=3.4)),
        (depth_cost.cost_of_smear(smear, 2.0), ratio(along=np.hypot(smear, 2.0))),
    ]
    for cost, worse in cases:
        assert cost == pytest.approx(1.0 - worse / best, abs=1e-6)


@given(st.floats(0.01, 0.95), st.floats(0.3, 10.0))
def test_limits_are_where_they_cost_so_much(share, sigma):
    assert depth_cost.cost_of_cloud(depth_cost.cloud_costing(share)) == pytest.approx(share)
    assert depth_cost.cost_of_sky(depth_cost.sky_costing(share)) == pytest.approx(share)
    assert depth_cost.cost_of_width(depth_cost.width_costing(share)) == pytest.approx(share)
    smear = depth_cost.smear_costing(share, sigma)
    assert depth_cost.cost_of_smear(smear, sigma) == pytest.approx(share)


NOISE = st.floats(-1.0, 1.0)


@given(st.lists(NOISE, min_size=9, max_size=9))
def test_a_fine_night_with_noise_stays_good(noise):
    """Every fact moved by as much as good nights differ among each other."""
    n = iter(noise)
    seeing = 1.4 * (1 + 0.08 * next(n))
    strip = replace(
        FINE, cloud=0.05 + 0.04 * next(n), dimming=0.05 * next(n), seeing=seeing,
        sky=190.0 * (1 + 0.2 * next(n)), smear_line=0.2 + 0.1 * next(n),
        smear_column=0.2 + 0.1 * next(n), seeing_spread=0.05 + 0.03 * next(n),
        trail_share=0.01 + 0.01 * next(n),
    )  # fmt: skip
    facts = replace(NIGHT, strips=(strip,), flat_change=0.004 + 0.003 * next(n))
    assert judge(facts).word == "good"
    assert judge(facts).findings == ()


GROWING = ("cloud", "cloud_typical", "dimming", "seeing", "smear_line", "smear_column", "sky",
           "trail_share")  # fmt: skip


@given(
    st.fixed_dictionaries({name: st.floats(0, 1e4) for name in GROWING}),
    st.sampled_from(GROWING),
    st.floats(1, 100),
)
def test_worse_never_gives_a_better_word(values, name, factor):
    rank = ("good", "usable", "bad").index
    before = judge(with_changes(values, {})).word
    after = judge(with_changes({**values, name: values[name] * factor}, {})).word
    assert rank(after) >= rank(before)
