"""What theory says of a film before it is simulated."""
