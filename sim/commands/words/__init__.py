"""Words of the command line, as they are read."""
