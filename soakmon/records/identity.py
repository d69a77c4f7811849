"""Which bench is this? A number of its own, beside the journal: names can be given twice."""

from __future__ import annotations

import re
import secrets
from contextlib import suppress
from pathlib import Path

_FILE = "bench_id"
_FORM = re.compile(r"[0-9a-f]{12}")


def bench_id(folder: Path) -> str:
    """The number of the installation with this data folder, 12 hexadecimal digits.

    Made when there is none yet; where it cannot be kept, it is another one each time.
    """
    file = folder / _FILE
    with suppress(OSError, UnicodeDecodeError):
        found = file.read_text(encoding="ascii").strip()
        if _FORM.fullmatch(found):
            return found
    made = secrets.token_hex(6)
    with suppress(OSError):
        file.write_text(made + "\n", encoding="ascii")
    return made
