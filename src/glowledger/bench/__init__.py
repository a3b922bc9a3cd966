"""The instrument as measured: wavelength, line-spread, response, window, detector."""
