"""Readings that a module gives over CAN: asked for by services, or broadcast by itself."""
