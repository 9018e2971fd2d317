"""Ways to reach a ladder. Only this package speaks the wire protocol and opens serial ports."""
