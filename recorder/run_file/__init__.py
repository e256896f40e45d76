"""The run file: layout, reading, overviews, digests, companion; only here is HDF5 known."""
