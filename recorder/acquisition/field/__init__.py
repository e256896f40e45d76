"""Zero and shunt checks on live counts, and the watch over channels. Arithmetic is elsewhere."""
