"""Temporary."""
from dataclasses import dataclass
import numpy as np
from astropy.table import Table


@dataclass(frozen=True)
class ReferenceCatalogue:
    ra: np.ndarray
    dec: np.ndarray
    pm_ra: np.ndarray
    pm_dec: np.ndarray
    ra_err: np.ndarray
    dec_err: np.ndarray
    mag: np.ndarray
    mag_err: np.ndarray
    index: np.ndarray


def read_reference(config, filter_name):
    t = Table.read(config.reference_path)
    c = config.reference.columns
    f = lambda n: np.asarray(t[n], float)
    return ReferenceCatalogue(f(c.ra), f(c.dec), f(c.pm_ra), f(c.pm_dec), f(c.ra_err), f(c.dec_err),
        f(config.reference.magnitudes[filter_name]), f(config.reference.magnitude_errors[filter_name]), np.arange(len(t)))
