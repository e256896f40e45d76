"""Crew marks: kinds and keys, values by one grammar, revisions, edits; no screen, no file."""
