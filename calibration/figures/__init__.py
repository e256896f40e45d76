"""Figures of a calibration in one sense of loading: plain ones, and those that claim a class."""
