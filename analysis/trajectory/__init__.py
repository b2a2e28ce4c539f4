"""Reads run files and the field programme."""
