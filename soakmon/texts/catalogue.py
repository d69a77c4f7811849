"""The catalogues: gettext's .po files, read by Babel. The key is the msgid, the text the msgstr."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType

ENGLISH = "en"


def _languages() -> tuple[str, ...]:
    """English, and every other language of which there is a file."""
    names = sorted(file.name for file in files("soakmon.texts").iterdir())
    languages = [name.removesuffix(".po") for name in names if name.endswith(".po")]
    return (ENGLISH, *(name for name in languages if name != ENGLISH))


LANGUAGES = _languages()


@cache
def texts(language: str = ENGLISH) -> Mapping[str, str]:
    """All texts of a language by key; what has not been translated yet is English."""
    # Imported here: a command that says nothing need not wait for it.
    from babel.messages.pofile import read_po  # noqa: PLC0415

    with files("soakmon.texts").joinpath(f"{language}.po").open("rb") as file:
        catalogue = read_po(file, locale=language, abort_invalid=True)
    by_key = {str(entry.id): str(entry.string) for entry in catalogue if entry.id and entry.string}
    return MappingProxyType(by_key if language == ENGLISH else {**texts(), **by_key})


def say(key: str, /, **values: object) -> str:
    """A text in English, its {names} filled in.

    What the bench keeps, sends to machines and hands on is English, whatever people read.
    """
    text = texts()[key]
    return text.format_map(values) if values else text


def language_of(accept: str) -> str:
    """The language for a browser, by its Accept-Language: the first that there is, else English."""
    wanted = []
    for place, part in enumerate(accept.split(",")[:20]):
        name, _, quality = part.strip().partition(";q=")
        try:
            share = float(quality or 1)
        except ValueError:
            share = 0.0
        if name and share > 0:
            wanted.append((-share, place, name.partition("-")[0].lower()))
    from babel import negotiate_locale  # noqa: PLC0415

    names = [name for _, _, name in sorted(wanted)]
    return negotiate_locale(names, LANGUAGES, sep="-") or ENGLISH
