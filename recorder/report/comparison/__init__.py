"""Runs side by side: comparison.json, its pages, its words for a terminal."""
