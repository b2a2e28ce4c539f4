"""A bottle of magnetic fluid: from what its sheet says to the fluids that fit it."""
