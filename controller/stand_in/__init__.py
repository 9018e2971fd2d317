"""Stand-ins for a ladder and for a module on its bus, to try things out without hardware.

They share nothing with the side that reads but the standards: no code, no numbers, no classes.
"""
