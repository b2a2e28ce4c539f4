"""Constants, units and closed forms of materials on plain numbers."""
