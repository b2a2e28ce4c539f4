"""A film as an engine sees it: particles, reduced units, step, start."""
