"""Logs of a tool that a technician read, taken in afterwards: the file, and its place in a run."""
