"""Wheel pulses to distance, speed and acceleration. Certificates are elsewhere."""
