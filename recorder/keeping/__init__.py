"""The journal, the filer that makes the run file from it, seal and recovery. No HDF5 itself."""
