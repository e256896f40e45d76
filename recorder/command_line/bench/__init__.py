"""The guided session at a terminal."""
