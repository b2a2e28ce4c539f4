"""Figures and page of a search for a film that meets a wish."""
