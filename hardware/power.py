"""What the Pi itself says of its supply and its heat, out of the kernel's files.

The firmware counts since the start; its bits are from memory of its maker's documentation: 0 supply
too low now, 1 clock capped, 2 throttled, 3 close to too hot; 16 to 19 the same at any time since.
"""

from __future__ import annotations

from pathlib import Path

_FIRMWARE = "sys/devices/platform/soc/soc:firmware/get_throttled"
_LOW, _SLOWED, _HOT = 0, 2, 3
_SINCE = 16
SAGS = "the Pi's supply sags{when}: a stronger one with a short thick cable, the valve on its own"
SLOWED = "the Pi was slowed down{when}: give it air, and a supply that does not sag"


def power_troubles(root: Path = Path("/")) -> list[str]:
    """What is wrong with supply or cooling, in words; nothing on a machine that does not say."""
    bits = _bits(root)
    if bits is None:
        return [SAGS.format(when=" now")] if _low_now(root) else []
    found = []
    for text, wrong in ((SAGS, (_LOW,)), (SLOWED, (_SLOWED, _HOT))):
        if any(bits >> bit & 1 for bit in wrong):
            found.append(text.format(when=" now"))
        elif any(bits >> bit + _SINCE & 1 for bit in wrong):
            found.append(text.format(when=" since it was started"))
    return found


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
