"""What the Pi itself says of its supply and its heat, out of the kernel's files.

The firmware counts since the start; its bits are from memory of its maker's documentation: 0 supply
too low now, 1 clock capped, 2 throttled, 3 close to too hot; 16 to 19 the same at any time since.
"""

from __future__ import annotations

from pathlib import Path

from soakmon.texts import say

_FIRMWARE = "sys/devices/platform/soc/soc:firmware/get_throttled"
_LOW, _SLOWED, _HOT = 0, 2, 3
_SINCE = 16
# Texts of the catalogue, by whether it is so now.
_SAGS = {True: "preflight.supply_sags_now", False: "preflight.supply_sags_since"}
_SLOWS = {True: "preflight.supply_slowed_now", False: "preflight.supply_slowed_since"}


def power_troubles(root: Path = Path("/")) -> list[str]:
    """What is wrong with supply or cooling, in words; nothing on a machine that does not say."""
    bits = _bits(root)
    if bits is None:
        return [say(_SAGS[True])] if _low_now(root) else []
    troubles = []
    for texts, wrong in ((_SAGS, (_LOW,)), (_SLOWS, (_SLOWED, _HOT))):
        now = any(bits >> bit & 1 for bit in wrong)
        if now or any(bits >> bit + _SINCE & 1 for bit in wrong):
            troubles.append(say(texts[now]))
    return troubles


def _bits(root: Path) -> int | None:
    try:
        return int((root / _FIRMWARE).read_text(encoding="ascii"), 16)
    except (OSError, ValueError):
        return None


def _low_now(root: Path) -> bool:
    """The kernel's own alarm for the supply, which other boards have as well."""
    for sensor in (root / "sys/class/hwmon").glob("hwmon*"):
        try:
            if (sensor / "name").read_text(encoding="ascii").strip() == "rpi_volt":
                return (sensor / "in0_lcrit_alarm").read_text(encoding="ascii").strip() == "1"
        except OSError:
            continue
    return False
