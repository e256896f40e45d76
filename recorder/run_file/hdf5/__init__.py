"""The HDF5 store: layout, live writer, reader. The only room that knows h5py, with `seal`."""
