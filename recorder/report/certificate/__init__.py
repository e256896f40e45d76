"""Calibration certificates on paper."""
