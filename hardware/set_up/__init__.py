"""Sets soakmon up on a bare Raspberry Pi, upgrades it and takes it back.

Runs before anything is installed: the standard library alone, in the system's own Python.
"""
