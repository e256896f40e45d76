"""Devices read, one thread each, into blocks and gaps. What becomes of a block is the keeper's."""
