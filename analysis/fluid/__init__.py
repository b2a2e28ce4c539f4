"""The page of a bottle of magnetic fluid: what its sheet tells of the particles in it."""
