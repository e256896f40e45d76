"""Zero and shunt checks on live counts. The arithmetic is in `calibration.field`."""
