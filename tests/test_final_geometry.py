"""The geometry of a catalogue: by nearest pairs where it was refined, by the pattern where not."""

from dataclasses import replace

import pytest

from pipeline.config import load_config
from pipeline.io.reference import read_reference
from pipeline.io.store import Store
from pipeline.tasks.catalogue import solve_strip_geometry
from pipeline.tasks.first_guess import refer_to
from pipeline.tasks.measure import concatenate_measurements
from pipeline.tasks.options import make_options

pytestmark = pytest.mark.xdist_group("reduction")
NIGHT = "2025-03-02"


@pytest.fixture(scope="module")
def strip(small, reduced):
    """What the last step of a strip of the small observatory is given."""
    config = load_config(small / "observatory.toml")
    store = Store(reduced[0])
    place = f"{NIGHT}/{NIGHT}_s01"
    spread = store.peek(f"{place}/point spread").load()
    look = store.peek(f"{place}/first geometry").load()
    measured = [store.peek(slot).load() for slot in store.slots(f"{place}/measure.")]
    name = look.context.strip
    references = refer_to(
        read_reference(config, name.filter), name, epoch=config.reference.options.epoch
    )
    return config, spread.solution, concatenate_measurements(measured), references, name


@pytest.mark.parametrize("off", [0.0, 4.0, None])
def test_a_wrong_guess_or_none_comes_to_the_same_sky(strip, off, caplog):
    """Four seconds of clock are some hundred lines: no star is near its reference."""
    config, refined, sources, references, name = strip
    caplog.set_level("INFO", logger="pipeline")
    guess = None
    if off is not None:
        guess = replace(refined, clock_offset_s=refined.clock_offset_s + off)
    found = solve_strip_geometry(
        config, make_options(config), guess, sources, references, strip=name
    )
    again = solve_strip_geometry(
        config, make_options(config), refined, sources, references, strip=name
    )
    assert ("matched by their pattern again" in caplog.text) == (off == 4.0)
    assert found.n_used == pytest.approx(again.n_used, rel=0.02)
    for one, other in zip(
        found.solution.sky_to_strip(references.ra_deg, references.dec_deg),
        again.solution.sky_to_strip(references.ra_deg, references.dec_deg), strict=True,
    ):  # fmt: skip
        assert abs(one - other)[abs(other) < 1e9].max() < 0.02
