"""Measures a whole run and writes numbers and tables."""
