"""Relay boards that do not exist, at pseudo-terminals: to try the program without hardware.

They stand on the standard library alone and share no code with what talks to them.
"""
