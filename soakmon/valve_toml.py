"""The [valve] section of bench.toml by itself: enough to shut the valve, whatever else is wrong."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from soakmon.errors import InputError
from soakmon.hardware_config import ValveSection
from soakmon.toml_text import read_text, table_of


def read_valve(path: Path) -> ValveSection:
    """Read the section. Raises InputError, one line, when the file or the section is no such thing.

    Nothing heavy is loaded for it: while the pin is high, fuel runs.
    """
    table = table_of(read_text(path), str(path)).get("valve", {})
    try:
        return ValveSection.model_validate(table)
    except ValidationError as error:
        problem = error.errors(include_url=False)[0]
        where = ": ".join(["[valve]", *map(str, problem["loc"])])
        raise InputError(f"{path}: {where}: {problem['msg']}") from None
