"""Compressed masks: the quick way gives the bytes of astropy's whole way, and these come back."""

from io import BytesIO

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.io import tiled
from pipeline.io.hdus import finish_header, primary_cards


def whole(name, pixels):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tiled, "Rice1", None)
        return tiled.pack_tiled(name, pixels, [])


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1), n_lines=st.integers(1, 100), n_columns=st.integers(1, 90),
    kind=st.sampled_from(["uint16", "int16", "uint8", "int32"]),
    share=st.sampled_from([0.0, 0.01, 1.0]),
)  # fmt: skip
def test_the_quick_way_gives_what_astropy_gives(seed, n_lines, n_columns, kind, share):
    rng = np.random.default_rng(seed)
    limits = np.iinfo(kind)
    pixels = rng.integers(limits.min, limits.max, (n_lines, n_columns), kind, endpoint=True)
    pixels[rng.random(pixels.shape) >= share] = 0
    cards, packed = tiled.pack_tiled("MASK", pixels, [])
    wanted, data = whole("MASK", pixels)
    assert cards == wanted
    assert packed.tobytes() == data.tobytes()
    file = finish_header(primary_cards([]), 0) + finish_header(cards, 0) + packed.tobytes()
    with fits.open(BytesIO(file)) as hdus:
        np.testing.assert_array_equal(hdus["MASK"].data, pixels)


def test_the_quick_way_is_gone_where_this_astropy_allows_it():
    """Otherwise the test above would compare one way with itself."""
    assert tiled.Rice1 is not None
    assert tiled._describe("MASK", (64, 64), "uint16") is not None


def test_an_astropy_that_compresses_otherwise_does_it_alone(monkeypatch):
    tiled._describe.cache_clear()
    monkeypatch.setattr(tiled, "_encode", lambda pixels: [bytes(pixels.shape[1])])
    pixels = np.arange(64 * 40, dtype=np.uint16).reshape(64, 40)
    cards, packed = tiled.pack_tiled("MASK", pixels, [])
    tiled._describe.cache_clear()
    wanted, data = whole("MASK", pixels)
    assert cards == wanted
    assert packed.tobytes() == data.tobytes()
