"""Devices read into blocks and gaps, one thread each. What becomes of a block is the keeper's."""
