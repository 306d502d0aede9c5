"""Small tools of signal processing that several rooms share: whole-clip spectra, windows, weightings."""
