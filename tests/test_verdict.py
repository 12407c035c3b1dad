"""Facts of a night as products tell them, against what was simulated."""

import numpy as np
import pytest

from pipeline.verdict import judge, read_night_facts

pytestmark = pytest.mark.xdist_group("reduction")


def test_facts_of_a_small_night(reduced):
    facts = read_night_facts(reduced[0], "2025-03-02")
    (strip,) = facts.strips
    assert strip.solved
    assert 1.4 < strip.seeing < 1.6  # arcsec; so wide is the simulated air
    assert abs(strip.period_change) < 1e-3
    assert strip.rotation_err < 0.02
    assert strip.sky > 0
    assert facts.sky_dark <= strip.sky
    assert facts.failed == ()
    assert np.isfinite(facts.flat_change)
    assert judge(facts).word == "good"


def test_a_night_without_products_is_bad(reduced):
    verdict = judge(read_night_facts(reduced[0], "1999-01-01"))
    assert verdict.word == "bad"
    assert verdict.findings[0].fault == "no products"
