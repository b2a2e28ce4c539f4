"""The flow that particles stir up between two windows: mobility, noise and drift, linear in N."""
