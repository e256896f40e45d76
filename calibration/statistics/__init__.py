"""Least-squares polynomials, scatter by the median, and uncertainty arithmetic, for any measurand.
No readings, no cell.
"""
