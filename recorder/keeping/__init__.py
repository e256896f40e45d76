"""Journal, writer, seal, recovery."""
