"""Save and restore the decider's state exactly, as plain JSON values.

Arrays keep every bit (base64 of their bytes); classes take part by registering. Nothing in a
saved state is ever executed.
"""

from __future__ import annotations

import base64
from typing import Any, TypeVar

import numpy as np

_KEPT: dict[str, type] = {}
C = TypeVar("C")


def kept(cls: type[C]) -> type[C]:
    """Class decorator: instances may be part of a saved state (their ``__dict__`` is kept)."""
    _KEPT[cls.__name__] = cls
    return cls


def dump(value: Any) -> Any:
    """JSON values from plain values, arrays and registered objects; TypeError for others."""
    if isinstance(value, float):
        return {"float": value.hex()}
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, np.ndarray):
        raw = base64.b64encode(np.ascontiguousarray(value).tobytes()).decode()
        return {"array": raw, "dtype": value.dtype.str, "shape": list(value.shape)}
    if isinstance(value, np.generic):
        return dump(value.item())
    if isinstance(value, list):
        return [dump(item) for item in value]
    if isinstance(value, tuple):
        return {"tuple": [dump(item) for item in value]}
    if isinstance(value, dict):
        return {"dict": [[dump(key), dump(item)] for key, item in value.items()]}
    if type(value).__name__ in _KEPT:
        return {"object": type(value).__name__, "fields": dump(_fields(value))}
    raise TypeError(f"a {type(value).__name__} cannot be part of a saved state")


def load(saved: Any) -> Any:
    """What `dump` was given; ValueError when the form is not one of its own."""
    if isinstance(saved, list):
        return [load(item) for item in saved]
    if not isinstance(saved, dict):
        return saved
    if "float" in saved:
        return float.fromhex(saved["float"])
    if "array" in saved:
        flat = np.frombuffer(base64.b64decode(saved["array"]), dtype=np.dtype(saved["dtype"]))
        return flat.reshape(saved["shape"]).copy()
    if "tuple" in saved:
        return tuple(load(item) for item in saved["tuple"])
    if "dict" in saved:
        return {load(key): load(item) for key, item in saved["dict"]}
    if saved.get("object") in _KEPT:
        cls = _KEPT[saved["object"]]
        made: Any = object.__new__(cls)
        for name, item in load(saved["fields"]).items():
            object.__setattr__(made, name, item)
        return made
    raise ValueError("not a saved state of this program")


def _fields(value: Any) -> dict[str, Any]:
    if hasattr(value, "__dict__"):
        return dict(vars(value))
    return {name: getattr(value, name) for name in value.__slots__}
