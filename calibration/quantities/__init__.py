"""Units of the trade and per-sample flags. Conversions at the edges; no certificate, no curve."""
