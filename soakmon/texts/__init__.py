"""Every text that people read, by its key: one file for each language (see README.md here)."""

from soakmon.texts.catalogue import ENGLISH, LANGUAGES, language_of, say, texts
from soakmon.texts.translating import translated

__all__ = ["ENGLISH", "LANGUAGES", "language_of", "say", "texts", "translated"]
