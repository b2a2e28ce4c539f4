"""Engines: the same steps on different processors, behind one protocol."""
