"""Rungwise: drive a relay resistor ladder through a temperature sweep and judge the answers."""

__version__ = "0.2.0"
