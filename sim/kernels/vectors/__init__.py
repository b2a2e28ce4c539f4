"""The vector type of compiled code, its rows, and calls by address."""
