"""One file a command; the only room of sim that knows analysis."""
