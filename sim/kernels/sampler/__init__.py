"""Moves of the equilibrium sampler: compiled loops that take one film from state to state."""
