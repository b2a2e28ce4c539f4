"""Compiled dipole sums beside the step."""
