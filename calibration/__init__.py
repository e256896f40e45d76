"""Counts into kilonewtons, metres and UTC, with uncertainty."""
