"""Files and figures of a map of a cell."""
