"""Bench readings: read, checked, put in order as a series of loads. No figures yet."""
