"""Sweeps: points, workers, cluster."""
