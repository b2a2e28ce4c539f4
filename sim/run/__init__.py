"""One simulation: set-up, loop, watchers, resuming."""
