"""Ways the ohms of a state come in while a ladder is measured."""
