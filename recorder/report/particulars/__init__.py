"""Particulars of a run in words, the same on every paper: when, where, with what, by whom."""
