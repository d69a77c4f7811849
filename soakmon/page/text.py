"""Every text of the page, in one place for translation: en.toml.

Words of the verdict, of alarms and of checks come from the bench and are not there.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

LANGUAGE = "en"

TEXTS: dict[str, str] = tomllib.loads(
    (Path(__file__).parent / f"{LANGUAGE}.toml").read_text(encoding="utf-8")
)
