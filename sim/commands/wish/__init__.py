"""The command `design`: from a wish to a film."""
