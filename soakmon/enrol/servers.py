"""servers.toml: where broker, time series and job records of a hall are, and who lets in.

It lies on the broker's machine, for whoever enrols benches alone.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import Field, ValidationError

from soakmon.errors import InputError
from soakmon.hardware_config import Section
from soakmon.toml_text import read_text, table_of


class BrokerPlace(Section):
    """The broker, which runs on this machine."""

    host: str = Field(min_length=1, description="as the benches reach it")
    port: int = Field(default=8883, ge=1, le=65535)
    ca_file: str = Field(default="", description="authority of its certificate; empty: no TLS")
    password_file: str = "/etc/mosquitto/soakmon.passwords"
    access_file: str = "/etc/mosquitto/soakmon.access"
    reload: tuple[str, ...] = Field(
        default=("systemctl", "reload", "mosquitto"), description="after either file has changed"
    )
    discovery_prefix: str = Field(default="", description="of a home dashboard; empty: none")


class StorePlace(Section):
    """The time series: one token for all benches, or one each where an operator's is given
    and the server makes them (InfluxDB 2).
    """

    url: str = Field(pattern=r"^https?://[^\s@]+$", description="as the benches reach it")
    org: str = "workshop"
    bucket: str = "soakmon"
    token_file: str = Field(default="", description="of all benches; VictoriaMetrics takes any")
    operator_token_file: str = Field(
        default="", description="InfluxDB's operator token: each bench gets a token of its own"
    )
    catch_up: float = Field(default=2.5, description="[influx] catch_up of the benches")


class RecordsPlace(Section):
    """The job records, on PostgreSQL."""

    host: str = Field(min_length=1, description="as the benches reach it; a pool has its own")
    port: int = Field(default=5432, ge=1, le=65535)
    name: str = "soakmon"
    options: str = Field(default="", description="of the address: sslmode=verify-full")
    owner_url_file: str = Field(description="file with the owner's address, postgresql://…")


class HallServers(Section):
    """All of servers.toml; what is left out is not used."""

    broker: BrokerPlace
    store: StorePlace | None = None
    records: RecordsPlace | None = None


def read_servers(path: Path) -> HallServers:
    """Read and check a servers.toml. Raises InputError, one line per problem."""
    try:
        return HallServers.model_validate(table_of(read_text(path), str(path)))
    except ValidationError as error:
        lines = [
            f"{path}: {'.'.join(map(str, one['loc']))}: {one['msg'][0].lower()}{one['msg'][1:]}"
            for one in error.errors(include_url=False)
        ]
        raise InputError("\n".join(lines)) from None
