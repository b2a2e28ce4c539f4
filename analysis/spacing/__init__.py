"""Distances between chains, structure factor, slits, columns."""
