"""The seal and what holds it: final values, digests, verification."""
