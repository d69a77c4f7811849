"""A supply that sags and a Pi that is slowed down, by the kernel's files as they would be."""

from __future__ import annotations

import pytest

from hardware.power import power_troubles


def firmware(root, bits):
    path = root / "sys/devices/platform/soc/soc:firmware/get_throttled"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"{bits:x}\n")


@pytest.mark.parametrize(
    ("bits", "said"),
    [
        (0x0, []),
        (0x1, ["sags now"]),
        (0x10000, ["sagged since it was started"]),
        (0x50005, ["sags now", "slowed down now"]),
        (0x80000, ["slowed down since"]),
        (0x2, []),
    ],
)
def test_what_the_firmware_says_is_told_with_what_to_do(tmp_path, bits, said):
    firmware(tmp_path, bits)
    found = power_troubles(tmp_path)
    assert len(found) == len(said)
    assert all(word in text for word, text in zip(said, found, strict=True))


def test_the_kernels_own_alarm_is_heard_where_there_is_no_firmware(tmp_path):
    assert power_troubles(tmp_path) == []
    sensor = tmp_path / "sys/class/hwmon/hwmon3"
    sensor.mkdir(parents=True)
    (sensor / "name").write_text("rpi_volt\n")
    (sensor / "in0_lcrit_alarm").write_text("1\n")
    assert "sags now" in power_troubles(tmp_path)[0]
    (sensor / "in0_lcrit_alarm").write_text("0\n")
    assert power_troubles(tmp_path) == []
