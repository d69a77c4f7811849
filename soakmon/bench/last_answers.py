"""What was typed in the last bench test of each kind, kept in the data folder: often the same.

The cell has the same capacity and the shop the same masses; readings are never offered again.
"""

from __future__ import annotations

import json
import logging
from pathlib import Path

from soakmon.weigh.guided import Guided, Last

log = logging.getLogger(__name__)
FILE = "bench-test-last.json"


def last_answers(folder: Path, test: str) -> Last:
    """By question, in order; nothing where there are none, or they cannot be read."""
    try:
        content = json.loads((folder / FILE).read_text(encoding="utf-8"))[test]
        return {str(text): [float(value) for value in values] for text, values in content.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def keep_answers(folder: Path, guided: Guided) -> None:
    """Keep what was typed in a test that is done; without, the next one only takes more typing."""
    path = folder / FILE
    try:
        content = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        part = path.with_suffix(".part")
        part.write_text(json.dumps({**content, guided.test: guided.typed}), encoding="utf-8")
        part.replace(path)
    except (OSError, ValueError, TypeError) as error:
        log.warning("%s: the answers are not kept for the next time: %s", path, error)
