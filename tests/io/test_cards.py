"""Header cards: times, site, bits, in the words of FITS 4.0."""

import numpy as np
import pytest
from astropy.coordinates import EarthLocation
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config import ObservatoryConfig
from pipeline.flags import PixelMask, SourceFlag
from pipeline.io.cards import (
    format_cards,
    make_bit_cards,
    make_header,
    make_site_cards,
    make_time_cards,
)


def test_times():
    cards = make_time_cards(begin=60000.0, average=60000.1, end=60000.2, exposure=41.5)
    header = make_header(cards)
    assert header["TIMESYS"] == "UTC"
    assert [header[k] for k in ("MJD-BEG", "MJD-AVG", "MJD-END")] == [60000.0, 60000.1, 60000.2]
    assert header["XPOSURE"] == 41.5
    assert header.comments["XPOSURE"].startswith("[s]")
    assert "XPOSURE" not in make_time_cards(begin=1.0, average=2.0, end=3.0)


def test_times_keep_their_digits(tmp_path):
    """A microsecond is 1.2e-11 days; MJD as a double resolves 0.6 microseconds."""
    mjd = 60838.123456789012
    header = make_header(make_time_cards(begin=mjd, average=mjd, end=mjd))
    fits.PrimaryHDU(header=header).writeto(tmp_path / "a.fits")
    assert abs(fits.getheader(tmp_path / "a.fits")["MJD-BEG"] - mjd) * 86400 < 2e-6


def test_site_is_where_astropy_puts_it():
    site = ObservatoryConfig(name="Hill (invented)", latitude=-46.2, longitude=-71.3, height=1120.0)
    header = make_header(make_site_cards(site))
    expected = EarthLocation.from_geodetic(-71.3, -46.2, 1120.0, ellipsoid="WGS84")
    for axis, value in zip("XYZ", expected.geocentric, strict=True):
        assert header[f"OBSGEO-{axis}"] == pytest.approx(value.to_value("m"), abs=1e-3)
    assert header["TELESCOP"] == "Hill (invented)"


@pytest.mark.parametrize(("sources", "bits"), [(False, PixelMask), (True, SourceFlag)])
def test_every_bit_is_named(sources, bits):
    header = make_header(make_bit_cards(sources=sources))
    assert len(header) == len(bits)
    for bit in bits:
        assert header[f"BIT{int(bit).bit_length() - 1}"].startswith(f"{bit.name}: ")


def test_values_that_fits_cannot_hold():
    header = make_header(
        {"NONE": None, "NAN": np.nan, "INF": (np.inf, "endless"), "TEXT": "5 μm",
         "COUNT": np.int64(3), "YES": np.bool_(True), "REAL": np.float32(0.5)}
    )  # fmt: skip
    for key in ("NONE", "NAN", "INF"):
        assert key in header
        assert header[key] is None
    assert header["TEXT"] == "5 ?m"
    assert header["COUNT"] == 3
    assert header["YES"] is True
    assert header["REAL"] == 0.5


@pytest.mark.parametrize("length", [1, 10, 18, 19, 30, 45, 60, 68, 69, 200])
@pytest.mark.parametrize("comment", ["", "short", "a comment of some length, forty letters"])
def test_long_texts_are_whole_and_comments_never_cut(tmp_path, length, comment):
    """Warnings are errors here; astropy warns when it cuts a comment."""
    text = "abcdefghij" * 20
    header = make_header({"TEXT": (text[:length], comment)})
    fits.PrimaryHDU(header=header).writeto(tmp_path / "a.fits")
    found = fits.getheader(tmp_path / "a.fits")
    assert found["TEXT"] == text[:length]
    assert found.comments["TEXT"] in {"", comment}
    if length <= 18:
        assert found.comments["TEXT"] == comment


def test_later_groups_add_to_earlier_ones():
    assert list(make_header({"A": 1}, {"B": 2}).keys()) == ["A", "B"]


@pytest.mark.parametrize("keyword", ["", "lower", "TOOLONG99", "A B", "Ä"])
def test_wrong_keyword(keyword):
    with pytest.raises(ValueError, match="keyword must be up to 8 of A-Z 0-9 - _, received"):
        make_header({keyword: 1})


VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**63), 2**63), st.floats(), st.sampled_from([0, -0.0]),
    st.text(st.characters(codec="ascii", exclude_categories=["C"]), max_size=150),
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(
    st.dictionaries(
        st.text("ABZ09-_", min_size=1, max_size=8),
        st.tuples(VALUES, st.text("abc [].", max_size=60)),
    )
)
def test_text_of_cards_is_that_of_the_header(cards):
    """Twice, the second time from the cache; 0, 0.0, -0.0 and False are not taken for another."""
    for _ in range(2):
        text = "".join(format_cards(cards))
        assert text == make_header(cards).tostring(sep="", endcard=False, padding=False)


def test_text_of_a_card_given_twice():
    assert format_cards({"A": 1, "B": 2}, {"A": (3, "c")}) == [
        f"{'A       =                    3 / c':80}", f"{'B       =                    2':80}"
    ]  # fmt: skip
    with pytest.raises(ValueError, match="keyword must be up to 8"):
        format_cards({"lower": 1})
