"""Runs loaded, answered for singly and together, compared."""
