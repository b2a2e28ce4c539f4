"""What is measured, declared once: key, unit, name, meaning, range, and where it is shown."""
