"""Ways the reported temperature comes in."""
