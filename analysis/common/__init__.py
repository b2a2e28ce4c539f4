"""What both packages need, once: constants, names of result files, guards of HDF5 files."""
