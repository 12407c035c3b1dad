"""Header cards of products: times, site, bits, in the words of FITS 4.0."""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

import erfa
import numpy as np
from astropy.io import fits

from pipeline.config import ObservatoryConfig
from pipeline.flags import FLAG_MEANINGS, MASK_MEANINGS, Meaning

__all__ = ["Cards", "format_cards", "make_bit_cards", "make_header", "make_site_cards",
           "make_time_cards"]  # fmt: skip

Cards = Mapping[str, Any]
"""Keyword to value, or to (value, comment)."""
_LETTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")


def make_time_cards(
    *, begin: float, average: float, end: float, exposure: float | None = None
) -> dict[str, tuple[Any, str]]:
    """Times of an observation.

    Parameters
    ----------
    begin, average, end : float
        UTC as MJD. A drift scan has no single time: each source has its own, near the average for
        tiles.
    exposure : float, optional
        Seconds that one point of the sky was exposed.

    Returns
    -------
    dict
        MJD-BEG, MJD-AVG, MJD-END, TIMESYS and, when given, XPOSURE (FITS 4.0, section 9).
    """
    cards: dict[str, tuple[Any, str]] = {
        "TIMESYS": ("UTC", "time scale"),
        "MJD-BEG": (begin, "[d] begin"),
        "MJD-AVG": (average, "[d] mid-exposure, averaged"),
        "MJD-END": (end, "[d] end"),
    }
    if exposure is not None:
        cards["XPOSURE"] = (exposure, "[s] exposure of a point of the sky")
    return cards


def make_site_cards(observatory: ObservatoryConfig) -> dict[str, tuple[Any, str]]:
    """Place of the telescope.

    Parameters
    ----------
    observatory : ObservatoryConfig
        Latitude and longitude in degrees, height in metres, WGS 84.

    Returns
    -------
    dict
        OBSGEO-X, -Y, -Z in metres (FITS 4.0, section 9.2.3) and TELESCOP.
    """
    xyz = erfa.gd2gc(
        erfa.WGS84,
        np.deg2rad(observatory.longitude),
        np.deg2rad(observatory.latitude),
        observatory.height,
    )
    cards: dict[str, tuple[Any, str]] = {"TELESCOP": (observatory.name, "")}
    for axis, value in zip("XYZ", xyz, strict=True):
        cards[f"OBSGEO-{axis}"] = (round(float(value), 3), f"[m] {axis} of the telescope, ITRS")
    return cards


def make_bit_cards(*, sources: bool = False) -> dict[str, tuple[Any, str]]:
    """What the bits of a mask mean.

    Parameters
    ----------
    sources : bool
        Bits of a catalogue's ``flags`` rather than of a pixel mask.

    Returns
    -------
    dict
        BIT0, BIT1, ...: name and reason.
    """
    meanings: Iterable[Meaning] = FLAG_MEANINGS if sources else MASK_MEANINGS
    return {f"BIT{m.bit.bit_length() - 1}": (f"{m.name}: {m.text}", "") for m in meanings}


def make_header(*groups: Cards) -> fits.Header:
    """Header from groups of cards, checked.

    Parameters
    ----------
    *groups : mapping
        Keyword to value or (value, comment). None and non-finite numbers become cards without a
        value, since FITS has no other way to say so.

    Returns
    -------
    Header

    Raises
    ------
    ValueError
        If a keyword is not of up to eight characters A-Z 0-9 - _.
    """
    header = fits.Header()
    for keyword, (value, comment) in _check_cards(groups).items():
        header[keyword] = (value, comment)
    return header


def format_cards(*groups: Cards) -> list[str]:
    """Text of the cards of `make_header`, without the cost of a header.

    Parameters
    ----------
    *groups : mapping
        As for `make_header`; the same errors are raised.

    Returns
    -------
    list of str
        Eighty characters each, or a multiple where a long text is continued.
    """
    texts = []
    for keyword, (value, comment) in _check_cards(groups).items():
        # Numbers differ from file to file, and a cache takes -0.0 for 0.0: only others are kept.
        make = _format_card if isinstance(value, float) else _recall_card
        texts.append(make(keyword, value, comment))
    return texts


def _check_cards(groups: Iterable[Cards]) -> dict[str, tuple[Any, str]]:
    """Keyword to value and comment, in forms that FITS can hold."""
    checked: dict[str, tuple[Any, str]] = {}
    for cards in groups:
        for keyword, entry in cards.items():
            value, comment = entry if isinstance(entry, tuple) else (entry, "")
            if not 0 < len(keyword) <= 8 or not _LETTERS.issuperset(keyword):
                msg = f"keyword must be up to 8 of A-Z 0-9 - _, received {keyword!r}"
                raise ValueError(msg)
            if isinstance(value, np.generic):
                value = value.item()
            if isinstance(value, float) and not np.isfinite(value):
                value = None
            if isinstance(value, str):
                value = value.encode("ascii", "replace").decode()
            # A comment that does not fit beside its value is left out rather than cut.
            room = 80 - 33 - (max(0, len(value) - 18) if isinstance(value, str) else 4)
            checked[keyword] = (value, comment if len(comment) <= room else "")
    return checked


def _format_card(keyword: str, value: Any, comment: str) -> str:
    return str(fits.Card(keyword, value, comment))


_recall_card = lru_cache(maxsize=1024, typed=True)(_format_card)
