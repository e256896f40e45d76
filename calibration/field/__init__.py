"""Checks on the car itself: zero and shunt. Pure; taking the counts is the recording's."""
