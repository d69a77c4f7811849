"""Libraries that a bench may do without, by the extra of soakmon that brings them."""

from __future__ import annotations

from importlib.util import find_spec

EXTRAS: dict[str, tuple[str, ...]] = {
    "report": ("matplotlib", "fpdf", "uharfbuzz", "fontTools"),
    "page": ("jinja2", "argon2"),
    "mqtt": ("asyncio_mqtt", "paho"),
    "influx": ("influxdb_client", "urllib3"),
    "phone": ("apprise", "httpx", "segno"),
    "postgres": ("psycopg",),
    "pi": ("lgpio", "periphery", "smbus2", "w1thermsensor"),
}


def installed(extra: str) -> bool:
    """Whether all libraries of an extra are there."""
    return all(find_spec(library) is not None for library in EXTRAS[extra])


def to_install(error: ModuleNotFoundError) -> str:
    """What to do about a library that is missing, in a line."""
    missing = (error.name or "").split(".")[0]
    extra = next((name for name, libraries in EXTRAS.items() if missing in libraries), None)
    if extra is None:
        return f"{missing or error} is not installed: install soakmon again"
    return f"{missing} is not installed: pip install 'soakmon[{extra}]'"
