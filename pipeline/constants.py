"""Numbers of statistics that many modules need."""

__all__ = ["FWHM_PER_SIGMA", "SIGMA_PER_MAD"]

# Of a Gaussian: full width at half maximum over standard deviation, 2 sqrt(2 ln 2).
FWHM_PER_SIGMA = 2.3548200450309493
# Of a Gaussian: standard deviation over median absolute deviation, 1 / Phi^-1(3/4).
SIGMA_PER_MAD = 1.482602218505602
