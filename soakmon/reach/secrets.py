"""Secrets from files and the environment, and texts without them."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from urllib.parse import unquote, urlsplit

from soakmon.errors import InputError

_HIDDEN = "[hidden]"
_SHORTEST = 4


def read_secret(file: str, variable: str, key: str) -> str:
    """A secret from the environment, or from its file; empty when neither is given.

    Raises InputError when the file cannot be read; never tells what is in it.
    """
    if os.environ.get(variable):
        return os.environ[variable].strip()
    if not file:
        return ""
    try:
        return Path(file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "is not UTF-8 text"
        raise InputError(f"{key}: {file}: {reason}") from None


def addresses(listed: Iterable[str], file: str, variable: str, key: str) -> list[str]:
    """Addresses from all places: the configuration, a file or the environment, one a line."""
    lines = read_secret(file, variable, key).splitlines()
    known = [line.strip() for line in [*listed, *lines]]
    return [line for line in known if line and not line.startswith("#")]


def redact(text: str, secrets: Iterable[str]) -> str:
    """The text without the secrets, nor the parts of those that are addresses."""
    parts: set[str] = set()
    for secret in secrets:
        parts.add(secret)
        parts |= _parts(secret)
    for part in sorted(parts, key=len, reverse=True):
        text = text.replace(part, _HIDDEN)
    return re.sub(r"\b[a-z][a-z0-9+.-]*://\S+", _HIDDEN, text)


def _parts(address: str) -> set[str]:
    """What in an address could be a token: all that follows its scheme, in pieces."""
    try:
        pieces = urlsplit(address)
    except ValueError:
        return set()
    parts = re.split(r"[/:@?&=]", f"{pieces.netloc}/{pieces.path}/{pieces.query}")
    parts += [unquote(piece) for piece in parts]
    return {piece for piece in parts if len(piece) >= _SHORTEST}
