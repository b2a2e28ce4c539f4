"""The way to rest: rate equations of chain lengths, fitted to a run and continued with a band."""
