"""Commands on a bottle of magnetic fluid and on the fluids that fit its sheet."""
