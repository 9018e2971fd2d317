"""The control module's temperature input, seen from outside: model and simulation."""
