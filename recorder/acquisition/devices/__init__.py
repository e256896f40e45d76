"""Devices planned, opened and read, one thread each. What becomes of a block is the keeper's."""
