"""Bonds, chains and their shapes."""
