"""FITS products opened for reading, where any sign of damage is an error."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from pipeline.errors import ProductError

__all__ = ["open_product"]

_DAMAGE = (OSError, ValueError, KeyError, IndexError, TypeError, AttributeError, AstropyUserWarning)


@contextmanager
def open_product(path: str | Path) -> Iterator[fits.HDUList]:
    """Open a FITS file that this program wrote.

    Parameters
    ----------
    path : str or Path
        FITS file.

    Yields
    ------
    HDUList

    Raises
    ------
    ProductError
        If the file is missing or damaged; what astropy only warns of counts as damage.
    """
    try:
        with (
            warnings.catch_warnings(),
            Path(path).open("rb") as stream,  # astropy leaves a damaged file open
        ):
            warnings.simplefilter("error", AstropyUserWarning)
            with fits.open(stream, memmap=False) as hdus:
                yield hdus
    except ProductError:
        raise
    except _DAMAGE as error:
        reason = " ".join(str(error).split())
        msg = f"{path}: cannot be read ({reason}); remove it and start again"
        raise ProductError(msg) from error
