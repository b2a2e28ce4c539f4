"""Light: indices, far field, hand-off."""
