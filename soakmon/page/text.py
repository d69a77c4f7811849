"""The page's own texts, of all that are in the catalogue: their keys have no point."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from soakmon.texts import texts


@cache
def page_texts(language: str) -> Mapping[str, str]:
    """The page's texts by key, in a language."""
    every = texts(language)
    own = {key: text for key, text in every.items() if "." not in key or key in _TIMES}
    return MappingProxyType(own)


# In sentences of the bench, times after the start: the page puts the shop's clock in their place.
_TIMES = frozenset({"figures.between", "figures.after_start"})
