"""Magnets, coils and measured fields: field, gradient, motion, safety."""
