"""Live counts of a bench calibration: from the driver to the session in `calibration.bench`."""
