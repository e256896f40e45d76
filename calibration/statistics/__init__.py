"""Least-squares polynomials and uncertainty arithmetic, for any measurand. No readings, no cell."""
