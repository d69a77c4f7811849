"""Errors told in one line saying what is wrong, where, and what to do."""

from __future__ import annotations


class SoakmonError(Exception):
    """A problem told in one line, without a traceback."""


class InputError(SoakmonError):
    """Input that a person must mend: a file, a configuration, an option."""


class TroubleError(SoakmonError):
    """What the machine cannot do now, and may later: a disk, a busy pin. Trying again may help."""


class DamagedError(TroubleError):
    """A file whose content is broken."""


def named(error: BaseException) -> str:
    """Kind and text of an error that nobody foresaw."""
    return f"{type(error).__name__}: {error}"
