"""The verdict: each fault by its own quantity, and never a better word for a worse night."""

from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.verdict import NightFacts, StripFacts, VerdictLimits, judge

FINE = StripFacts(
    "s01", cloud=0.05, cloud_err=0.01, seeing=1.4, seeing_err=0.02, seeing_spread=0.03,
    smear_line=0.1, smear_column=0.1, period_change=1e-5, rotation=0.01, sky=200.0, sky_slope=0.02,
)  # fmt: skip
NIGHT = NightFacts("2025-03-02", (FINE,), sky_dark=200.0, flat_change=0.001, flat_change_err=0.001)

# what changes, in the strip or in the night: word, fault
FAULTS = [
    ({"cloud": 0.6}, {}, "usable", "cloud"),
    ({"cloud": 2.0}, {}, "bad", "cloud"),
    ({"seeing": 2.6}, {}, "usable", "defocus"),
    ({"seeing": 2.6, "seeing_spread": 0.3}, {}, "usable", "seeing"),
    ({"seeing": 5.0}, {}, "bad", "defocus"),
    ({"smear_line": 0.8, "period_change": 3e-3}, {}, "usable", "clock error"),
    ({"smear_column": 3.0, "rotation": 0.9}, {}, "bad", "rotated camera"),
    ({"sky": 900.0}, {}, "usable", "bright sky"),
    ({"lost_lines": ((1200.0, 3.0, 37),)}, {}, "usable", "lost lines"),
    ({"trail_share": 0.01, "n_trails": 9}, {}, "usable", "satellites"),
    ({"solved": False}, {}, "bad", "no solution"),
    ({}, {"dead_columns": (("chip 1, columns 0 to 31", 1.0),)}, "bad", "dead amplifier"),
    ({}, {"flat_change": 0.04, "flat_column": 77.0}, "usable", "dirty flat"),
    ({}, {"failed": ("search: x",), "failed_share": 0.1}, "usable", "failed steps"),
    ({}, {"strips": ()}, "bad", "no products"),
]


def with_changes(strip, night):
    return replace(NIGHT, **{"strips": (replace(FINE, **strip),), **night})


def test_nothing_speaks_against_a_fine_night():
    assert judge(NIGHT).word == "good"
    assert judge(NIGHT).findings == ()


@pytest.mark.parametrize(("strip", "night", "word", "fault"), FAULTS)
def test_a_fault_is_named_alone_with_value_and_limit(strip, night, word, fault):
    verdict = judge(with_changes(strip, night))
    assert verdict.word == word
    (finding,) = verdict.findings
    assert finding.fault == fault
    assert finding.severity == word
    assert finding.text.endswith(".")
    assert finding.value >= finding.limit or fault in ("no solution", "no products")


def test_what_was_not_measured_is_no_fault():
    assert judge(NightFacts("2025-03-02", (StripFacts("s01"),))).word == "good"


def test_the_worst_comes_first():
    facts = with_changes({"cloud": 0.6, "smear_column": 3.0}, {})
    assert [f.severity for f in judge(facts).findings] == ["bad", "usable"]


def test_a_response_within_its_error_is_not_dirty():
    facts = replace(NIGHT, flat_change=0.02, flat_change_err=0.01)
    assert judge(facts).word == "good"


def test_limits_may_be_set():
    limits = VerdictLimits(cloud=(0.01, 0.02))
    assert judge(NIGHT, limits).word == "bad"
    assert {f.name for f in fields(VerdictLimits)} >= {"cloud", "seeing", "moon"}


GROWING = ("cloud", "seeing", "smear_line", "smear_column", "sky", "trail_share")


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
