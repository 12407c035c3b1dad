"""One registry of quality bits: pixel masks, column masks and catalogue flags, with their reasons.

The FITS headers, the catalogue documentation and the report all read these tables.
"""

from dataclasses import dataclass
from enum import IntFlag

__all__ = ["FLAG_MEANINGS", "MASK_MEANINGS", "PixelMask", "SourceFlag", "describe"]


class PixelMask(IntFlag):
    """Bits of a pixel (or whole-column) mask; any bit set means bad."""

    DEAD = 1
    HOT = 2
    NOISY = 4
    NONLINEAR = 8
    SATURATED = 16
    BLEED = 32
    COSMIC_RAY = 64
    TRAIL = 128
    RAMP = 256
    NO_DATA = 512
    TRAP = 1024


class SourceFlag(IntFlag):
    """Bits of the ``flags`` column of a catalogue."""

    BAD_PIXELS = 1
    SATURATED = 2
    BLENDED = 4
    EDGE = 8
    COSMIC_RAY = 16
    TRAIL = 32
    CLOUD = 64
    PSF_FAILED = 128
    NO_SOLUTION = 256
    APERTURE_INCOMPLETE = 512
    EPOCHS_CHANGE = 1024


@dataclass(frozen=True)
class Meaning:
    """A bit and what it tells the reader."""

    name: str
    bit: int
    text: str


MASK_MEANINGS = (
    Meaning("DEAD", 1, "column with no or too little response"),
    Meaning("HOT", 2, "column with excess dark signal"),
    Meaning("NOISY", 4, "column noisier than its amplifier"),
    Meaning("NONLINEAR", 8, "column not linear in sky level"),
    Meaning("SATURATED", 16, "pixel at or above saturation"),
    Meaning("BLEED", 32, "charge bled along the scan from a saturated pixel"),
    Meaning("COSMIC_RAY", 64, "pixel hit by a cosmic ray"),
    Meaning("TRAIL", 128, "trail of a satellite or aircraft"),
    Meaning("RAMP", 256, "line of the ramp: integrated on fewer than n_stage rows"),
    Meaning("NO_DATA", 512, "no data: missing or unreadable lines"),
    Meaning("TRAP", 1024, "column whose charge trails behind bright light"),
)

FLAG_MEANINGS = (
    Meaning("BAD_PIXELS", 1, "masked pixels within the fitting radius"),
    Meaning("SATURATED", 2, "at least one saturated or bled pixel"),
    Meaning("BLENDED", 4, "light shared with a neighbour"),
    Meaning("EDGE", 8, "fitting radius cut by the edge of the chip or the strip"),
    Meaning("COSMIC_RAY", 16, "a cosmic ray touches the source"),
    Meaning("TRAIL", 32, "a trail touches the source"),
    Meaning("CLOUD", 64, "zero point beyond the allowed extinction or too uncertain"),
    Meaning("PSF_FAILED", 128, "the point-spread fit did not converge"),
    Meaning("NO_SOLUTION", 256, "no sky position: the strip has no solution"),
    Meaning("APERTURE_INCOMPLETE", 512, "the aperture holds masked pixels"),
    Meaning("EPOCHS_CHANGE", 1024, "stack: fewer or more epochs in a part of the source"),
)


def describe(bits: int, meanings: tuple[Meaning, ...]) -> list[str]:
    """Names of the bits that are set.

    Parameters
    ----------
    bits : int
        Value of a mask pixel or of a source's ``flags``.
    meanings : tuple of Meaning
        `MASK_MEANINGS` or `FLAG_MEANINGS`.

    Returns
    -------
    list of str
    """
    return [m.name for m in meanings if bits & m.bit]
