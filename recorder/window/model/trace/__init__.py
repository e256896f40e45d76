"""Pens and what they have drawn, reduced so that a frame costs the same however long the run."""
