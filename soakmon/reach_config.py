"""The parts of bench.toml that say where the bench reports to; all off by default.

Secrets are kept in files or the environment, never in the journal's copy of the configuration.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, SecretStr, field_validator, model_validator

from soakmon.bench_address import SHOP_PATTERN, address_of, is_address
from soakmon.hardware_config import Section

_CLOCK = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"


class MqttSection(Section):
    """Reporting to an MQTT broker."""

    enabled: bool = Field(default=False, description="whether the bench reports to a broker")
    host: str = Field(default="localhost", min_length=1, description="name of the broker")
    port: int = Field(default=1883, ge=1, le=65535, description="8883 is usual with TLS")
    user: str = Field(default="", max_length=200, description="user name; empty for none")
    password_file: str = Field(
        default="", description="file with the password; or set SOAKMON_MQTT_PASSWORD"
    )
    tls: bool = Field(default=False, description="whether the connection is encrypted")
    ca_file: str = Field(default="", description="TLS: certificate authority; empty: the system's")
    cert_file: str = Field(default="", description="TLS: certificate of this client")
    key_file: str = Field(default="", description="TLS: key of that certificate")
    prefix: str = Field(
        default="soakmon", pattern=r"^[^+#/\s]+$", description="first part of every topic"
    )
    keepalive_s: float = Field(
        default=15.0, ge=5, le=600, description="the broker gives the last will 1.5 times later"
    )
    heartbeat_s: float = Field(
        default=30.0, ge=1, le=600, description="the state is sent at least this often"
    )
    readings_every_s: float = Field(
        default=5.0, ge=1, le=3600, description="how often readings are sent"
    )
    commands: bool = Field(
        default=False,
        description="take the commands acknowledge, isolate and end; none opens the feed",
    )
    discovery: bool = Field(
        default=False, description="announce the bench to a home dashboard on the same broker"
    )
    discovery_prefix: str = Field(
        default="homeassistant", pattern=r"^[^+#\s]+$", description="first part of those topics"
    )

    @model_validator(mode="after")
    def _complete(self) -> MqttSection:
        if bool(self.cert_file) != bool(self.key_file):
            raise ValueError("cert_file and key_file belong together: give both or none")
        if (self.ca_file or self.cert_file) and not self.tls:
            raise ValueError("ca_file and cert_file need tls = true")
        return self


class InfluxSection(Section):
    """Writing to an InfluxDB 2 database."""

    enabled: bool = Field(default=False, description="whether points are written")
    url: str = Field(
        default="http://localhost:8086", pattern=r"^https?://[^\s@]+$", description="its address"
    )
    org: str = Field(default="workshop", min_length=1, description="organisation")
    bucket: str = Field(default="soakmon", min_length=1, description="bucket")
    token_file: str = Field(default="", description="file with the token; or SOAKMON_INFLUX_TOKEN")
    timeout_s: float = Field(default=10.0, ge=0.1, le=120, description="longest wait for an answer")
    batch_points: int = Field(default=500, ge=1, le=10_000, description="most points in a request")
    by_job: bool = Field(
        default=False,
        description="tag all points with their job, as earlier versions did: many series a soak",
    )
    catch_up: float = Field(
        default=0.0,
        ge=0,
        le=100,
        description="after an outage, readings go out at most so many times as fast as they came;"
        " 0: as fast as they can; 2.5 where many benches share the database",
    )

    @field_validator("catch_up")
    @classmethod
    def _gains(cls, times: float) -> float:
        if 0 < times < 1.5:
            raise ValueError("less than 1.5 would never catch up: give 0, or 1.5 and more")
        return times


class PhoneSection(Section):
    """Messages to telephones and mailboxes, by apprise addresses.

    The second person gets what the first does not acknowledge.
    """

    enabled: bool = Field(default=False, description="whether messages are sent")
    needed: bool = Field(default=False, description="no soak starts while messages cannot be sent")
    urls: tuple[SecretStr, ...] = Field(
        default=(), description="apprise addresses; better in urls_file or SOAKMON_PHONE_URLS"
    )
    urls_file: str = Field(default="", description="file with one address a line")
    second_urls: tuple[SecretStr, ...] = Field(
        default=(), description="the second person's; better in a file or SOAKMON_PHONE_SECOND_URLS"
    )
    second_urls_file: str = Field(default="", description="file with one address a line")
    repeat_min: float = Field(
        default=5.0, ge=0.5, le=120, description="a flood is told again until acknowledged"
    )
    second_after_min: float = Field(
        default=15.0, ge=0, le=600, description="not acknowledged: the second person is told"
    )
    trouble_after_s: float = Field(
        default=120.0, ge=0, le=3600, description="trouble must last before it is told"
    )
    trouble_over_s: float = Field(
        default=600.0, ge=0, le=86400, description="and be gone this long before it is over"
    )
    quiet_from: str = Field(
        default="22:00", pattern=_CLOCK, description="results and reminders wait from here"
    )
    quiet_to: str = Field(default="07:00", pattern=_CLOCK, description="until here")
    time_zone: str = Field(
        default="", max_length=60, description='such as "Europe/London"; empty: the machine\'s'
    )
    tell_start: bool = Field(
        default=False, description="a message when a soak begins: shows that messages arrive"
    )
    link: str = Field(
        default="", max_length=300, description="address of the bench's page, put into messages"
    )

    @field_validator("time_zone")
    @classmethod
    def _known(cls, name: str) -> str:
        try:
            if name:
                ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError("there is no such time zone on this machine") from None
        return name


class LookoutSection(Section):
    """The lookout, on another machine: notices when a soaking bench falls silent."""

    benches: tuple[str, ...] = Field(
        default=(),
        max_length=1000,
        description="names of the benches, or shop/name; [] for all on the broker",
    )
    shop: str = Field(
        default="",
        pattern=SHOP_PATTERN,
        description="only the benches of this shop, where lookouts share a broker's benches",
    )
    silent_s: float = Field(
        default=120.0, ge=5, le=3600, description="without a heartbeat a bench is silent"
    )
    broker_s: float = Field(
        default=60.0, ge=1, le=3600, description="without a connection the broker is gone"
    )
    lead_s: float = Field(
        default=30.0,
        ge=3,
        le=600,
        description="of several lookouts one tells; unheard for so long, another takes over",
    )
    gather_s: float = Field(
        default=10.0,
        ge=0,
        le=120,
        description="benches that fall silent within this are told in one message",
    )
    beat_url: SecretStr | None = Field(
        default=None, description="address of a dead-man service; or set SOAKMON_BEAT_URL"
    )
    beat_min: float = Field(
        default=5.0, ge=0.1, le=1440, description="how often it is called while all is well"
    )

    @property
    def addresses(self) -> set[str]:
        """The benches that must be there; a name without a shop is one of the lookout's own."""
        return {name if "/" in name else address_of(self.shop, name) for name in self.benches}

    @field_validator("benches")
    @classmethod
    def _names(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        if not all(is_address(name) for name in names):
            raise ValueError("a bench's name is small letters, digits and hyphens")
        return names
