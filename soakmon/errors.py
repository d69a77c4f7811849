"""Errors that are the user's to mend: one line saying what is wrong, where, and what to do."""

from __future__ import annotations


class SoakmonError(Exception):
    """A problem told in one line, without a traceback."""


class InputError(SoakmonError):
    """Input that cannot be used: a file, a configuration, an option."""
