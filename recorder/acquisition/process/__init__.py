"""The recording process itself: start, keep, watch, stop. No window, no HDF5."""
