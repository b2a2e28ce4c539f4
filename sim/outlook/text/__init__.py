"""The outlook as sentences."""
