"""What comes from elsewhere and goes elsewhere: tables in and out, a description. No HDF5."""
