"""Kinds, keys and revisions of crew marks; no screen, no file."""
