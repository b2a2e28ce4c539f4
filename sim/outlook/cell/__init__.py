"""Theory over the cell above magnets: map and drift."""
