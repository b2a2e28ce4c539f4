"""Compiled loops of the flow that particles stir up: grid, modes across the film, near pairs."""
