"""Sheets and certificates a scenario would have."""
