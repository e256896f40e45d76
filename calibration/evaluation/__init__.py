"""From readings to figures, classes, budget and certificate. No device, no session."""
