"""The run file: layout, reading, overviews, digests, companion; the only room that knows HDF5."""
