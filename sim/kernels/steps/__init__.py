"""The compiled step and its parts."""
