"""Safe opening and writing of files, constants, provenance."""
