"""Laws as plain formulas in reduced units."""
