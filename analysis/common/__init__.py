"""What both packages need, once: constants of nature, names of files, guards of HDF5 files."""
