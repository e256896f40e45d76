"""The words all rooms speak: header, block, gap, states, zero line, values. No HDF5, no Qt."""
