"""A microscope picture, measured."""
