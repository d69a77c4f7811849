"""Deciding whether a rack leaks, from readings alone. No files, clocks or networks."""
