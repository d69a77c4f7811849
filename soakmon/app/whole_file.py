"""A file that is there whole, or as it was."""

from __future__ import annotations

from pathlib import Path

from soakmon.errors import InputError


def write_whole(path: Path, text: str) -> None:
    """Write a file beside its place, then put it there. Raises InputError."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise cannot_write(path, error) from None


def cannot_write(path: Path, error: OSError) -> InputError:
    """Why a file could not be written, in a line."""
    return InputError(f"{path}: cannot be written: {error.strerror}")
