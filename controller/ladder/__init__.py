"""The relay resistor ladder: its electrical model, the exact nearest search, switching paths."""
