"""The parts of bench.toml that say how the bench is wired, what the guard stands for, and where
things are kept.
"""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from soakmon.bench_address import NAME_PATTERN, SHOP_PATTERN, address_of

Pin = Annotated[int, Field(ge=0, le=27)]


class Section(BaseModel):
    """A table of bench.toml: unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


class CellSection(Section):
    """The load cell's converter and its calibration."""

    kind: str = Field(
        default="",
        max_length=60,
        description="make of cell: benches of a shop that say the same learn from each other; "
        "empty: as its converter and capacity",
    )
    driver: Literal["iio", "i2c", "hx711_spi", "hx711_pins"] = Field(
        default="iio",
        description="iio: kernel driver, best; i2c: NAU7802; hx711_spi, hx711_pins: last resort",
    )
    iio_path: str = Field(
        default="/sys/bus/iio/devices/iio:device0/in_voltage0_raw",
        description="iio: the file that holds the raw count",
    )
    i2c_bus: int = Field(default=1, ge=0, le=20, description="i2c: number of the bus")
    spi_bus: int = Field(default=0, ge=0, le=6, description="hx711_spi: number of the bus")
    spi_device: int = Field(default=0, ge=0, le=2, description="hx711_spi: chip select")
    data_pin: Pin = Field(default=5, description="hx711_pins: GPIO of DOUT")
    clock_pin: Pin = Field(default=6, description="hx711_pins: GPIO of PD_SCK")
    readings_per_s: float = Field(
        default=10.0, ge=1, le=80, description="how often the cell is read"
    )
    g_per_count: float = Field(
        default=0.0005, gt=-10, lt=10, description="grams per count, from calibration"
    )
    zero_counts: float = Field(
        default=0.0, ge=-8388608, le=8388607, description="count with the empty bottle on the cell"
    )
    capacity_g: float = Field(default=2000.0, gt=0, le=200_000, description="capacity of the cell")

    @model_validator(mode="after")
    def _gains(self) -> CellSection:
        if self.g_per_count == 0:
            raise ValueError("g_per_count is 0: calibrate the cell")
        return self


class GatesSection(Section):
    """The drop gates, in the order of the carburettors."""

    pins: tuple[Pin, ...] = Field(
        default=(17, 27, 22, 23), max_length=8, description="GPIO of each gate; [] for none"
    )
    kind: str = Field(
        default="",
        max_length=60,
        description="make of gate: benches of a shop that say the same learn from each other",
    )
    blocked_is_high: bool = Field(
        default=True, description="whether a blocked beam makes the pin high"
    )
    dead_time_ms: float = Field(
        default=60.0, gt=0, le=500, description="edges closer than this belong to one drop"
    )


class ThermometerSection(Section):
    """The air thermometer on the 1-wire bus."""

    driver: Literal["one_wire", "none"] = Field(default="one_wire", description="one_wire or none")
    sensor_id: str = Field(
        default="", max_length=32, description="1-wire number of the sensor; empty: the only one"
    )


class ValveSection(Section):
    """The normally closed feed valve."""

    driver: Literal["pin", "none"] = Field(
        default="pin", description="pin, or none for a tap worked by hand"
    )
    pin: Pin = Field(default=24, description="GPIO of the valve's switch")
    active_high: bool = Field(default=True, description="whether a high pin opens the valve")


class PanelSection(Section):
    """Lamp, buzzer and button on the bench."""

    fitted: bool = Field(default=True, description="whether there is a panel")
    lamp_pin: Pin = Field(default=25, description="GPIO of the lamp")
    buzzer_pin: Pin = Field(default=12, description="GPIO of the buzzer")
    button_pin: Pin = Field(default=16, description="GPIO of the button, to ground")
    hold_s: float = Field(default=3.0, ge=1, le=20, description="holding this long ends the soak")


class VapourSection(Section):
    """The contact of a vapour detector: closed while all is well, so that a cut wire alarms."""

    fitted: bool = Field(default=False, description="whether a detector is wired in")
    pin: Pin = Field(default=26, description="GPIO of the contact, to ground")


class GuardSection(Section):
    """Hard limits at which the guard shuts the feed without asking anyone."""

    rate_g_per_min: float = Field(
        default=1.5, gt=0, le=1000, description="loss rate after filling, over a minute"
    )
    total_g: float = Field(default=60.0, gt=0, le=5000, description="total loss after filling")
    storm_drops: int = Field(
        default=8, ge=2, le=1000, description="drops at one gate within ten seconds, knocks apart"
    )
    fill_g_over: float = Field(
        default=25.0, gt=0, le=5000, description="what filling may take beyond the rack's volume"
    )
    rise_g: float = Field(
        default=15.0, gt=0, le=5000, description="what the bottle may gain, refills apart"
    )
    blind_s: float = Field(
        default=120.0, ge=5, le=3600, description="without enough readings of the cell to judge by"
    )
    hung_s: float = Field(
        default=20.0, ge=2, le=3600, description="without a sign of life of the service"
    )


class ServiceSection(Section):
    """Where the service keeps its data and listens for commands."""

    name: str = Field(default="bench", pattern=NAME_PATTERN, description="name of the bench")
    shop: str = Field(
        default="",
        pattern=SHOP_PATTERN,
        description="of which shop it is, where several share a broker; empty: of the only one",
    )
    data_folder: str = Field(
        default="/var/lib/soakmon", min_length=1, description="journal, records and reports"
    )
    socket: str = Field(
        default="/run/soakmon/control.sock", min_length=1, description="control socket"
    )
    language: Literal["en", "de"] = Field(
        default="en", description="of messages and reports: en or de; the page asks the browser"
    )
    soak_h: float = Field(default=24.0, ge=0.1, le=168, description="length of a soak")
    isolate_min: float = Field(
        default=30.0,
        ge=1,
        le=600,
        description="how long at least the decay is watched with the feed shut",
    )

    @property
    def address(self) -> str:
        """The bench among those of all shops: its name, or shop/name."""
        return address_of(self.shop, self.name)


class PageSection(Section):
    """The web page of the bench, for phone and desk. On at once for a simulated bench."""

    on: bool = Field(default=False, description="whether the service serves the page")
    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        max_length=253,
        description="address to listen on; 0.0.0.0 for the shop's network",
    )
    port: int = Field(default=8321, ge=1, le=65535, description="TCP port")
    cert: str = Field(default="", description="TLS certificate (PEM file); empty: no TLS")
    key: str = Field(default="", description="TLS key (PEM file)")
    plain_on_network: bool = Field(
        default=False, description="allow other machines without TLS: passwords go in the clear"
    )
    proxy: str = Field(
        default="",
        max_length=45,
        description="of a reverse proxy before the page, believed about callers; empty: none",
    )
    names: tuple[str, ...] = Field(
        default=(),
        max_length=20,
        description="further names that browsers call the page by, such as the proxy's",
    )
    session_h: float = Field(
        default=72.0, ge=0.1, le=720, description="a sign-in ends when unused for this long"
    )

    @model_validator(mode="after")
    def _sealed(self) -> PageSection:
        if bool(self.cert) != bool(self.key):
            raise ValueError("cert and key are needed together")
        if any(not re.fullmatch(r"[\w.:-]{1,253}", name) for name in self.names):
            raise ValueError("names are host names alone, such as bench.example.org")
        try:
            _ = self.proxy and ipaddress.ip_address(self.proxy)
        except ValueError:
            raise ValueError("proxy must be an IP address, such as 127.0.0.1") from None
        if not (self.cert or self.plain_on_network or self.is_loopback):
            raise ValueError(
                f"host {self.host} is reachable from other machines: give cert and key, or set "
                "plain_on_network = true if the network is trusted"
            )
        return self

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"
