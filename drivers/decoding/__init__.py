"""Frames out of a byte stream, checksums, counters made wide; of no protocol in particular."""
