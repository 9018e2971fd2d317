"""The pieces screens are made of."""
