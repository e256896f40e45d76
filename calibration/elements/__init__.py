"""Figures particular to an element: capsule, draft spring, strain-gauged coupler. No class."""
