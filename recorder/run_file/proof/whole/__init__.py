"""Every proof of a run file, in order."""
