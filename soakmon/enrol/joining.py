"""A bench brought into a hall, on the bench: files with its secrets, and what bench.toml says."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from soakmon.bench_address import address_of
from soakmon.commission.bench_file import values_of, write_bench
from soakmon.config import Bench
from soakmon.enrol import proof
from soakmon.enrol.line import Invitation
from soakmon.enrol.secret_files import write_secret
from soakmon.errors import InputError
from soakmon.hardware_config import ServiceSection
from soakmon.records.opening import DATABASE_FILE
from soakmon.texts import say

# What of the bench is proven, and how; why not, or empty.
Proofs = tuple[tuple[str, Callable[[Bench], str]], ...]


def join(invitation: Invitation, file: Path, when: datetime) -> Bench:
    """Write the secrets beside bench.toml and in the data folder, and bench.toml itself.

    Raises InputError where a bench of another name is there already, or what cannot be written.
    """
    _same_bench(invitation, file)
    folder, data = file.parent, _data_folder(file)
    values: dict[str, object] = {
        "service.name": invitation.bench, "service.shop": invitation.shop,
        "mqtt.enabled": True, "mqtt.host": invitation.host, "mqtt.port": invitation.port,
        "mqtt.user": invitation.address,
        "mqtt.password_file": _secret(folder / "mqtt.password", invitation.password, data),
        "mqtt.tls": bool(invitation.authority),
    }  # fmt: skip
    authority = folder / "hall-ca.pem"
    if invitation.authority:
        values["mqtt.ca_file"] = _secret(authority, invitation.authority, data, mode=0o644)
    if invitation.store_url:
        values |= {
            "influx.enabled": True, "influx.url": invitation.store_url,
            "influx.org": invitation.store_org, "influx.bucket": invitation.store_bucket,
            "influx.token_file": _secret(folder / "influx.token", invitation.store_token, data),
            "influx.catch_up": invitation.catch_up,
        }  # fmt: skip
    bench = write_bench(file, values, when)
    if invitation.records_url:
        _secret(data / DATABASE_FILE, records_url(invitation, authority), data)
    return bench


def records_url(invitation: Invitation, authority: Path) -> str:
    """The address of the job records, with the authority that proves the server."""
    url = invitation.records_url
    if not invitation.authority or "sslrootcert" in url or "sslmode=verify" not in url:
        return url
    return f"{url}{'&' if '?' in url else '?'}sslrootcert={authority}"


def proofs(invitation: Invitation, authority: Path) -> Proofs:
    """What is to be proven of this bench."""
    steps: list[tuple[str, Callable[[Bench], str]]] = [(say("enrol.message"), proof.message)]
    if invitation.store_url:
        steps.append((say("enrol.point"), proof.point))
    if invitation.records_url:
        url = records_url(invitation, authority)
        steps.append(
            (
                say("enrol.record"),
                lambda bench: proof.record(bench, Path(bench.service.data_folder), url),
            )
        )
    return tuple(steps)


def _same_bench(invitation: Invitation, file: Path) -> None:
    values = values_of(file)
    name, shop = values.get("service.name", "bench"), values.get("service.shop", "")
    own = address_of(str(shop), str(name))
    if name != "bench" and own != invitation.address:
        raise InputError(say("enrol.other_bench", own=own, invited=invitation.address))


def _data_folder(file: Path) -> Path:
    default = ServiceSection.model_fields["data_folder"].default
    data = Path(str(values_of(file).get("service.data_folder", default)))
    if not data.is_dir():
        raise InputError(say("enrol.no_data", data=data))
    return data


def _secret(path: Path, text: str, data: Path, *, mode: int = 0o640) -> str:
    """Write a secret for its owner, and for the service by the data folder's group; its path."""
    group = data.stat().st_gid if os.geteuid() == 0 else -1
    write_secret(path, text.strip() + "\n", mode=mode, group=group)
    return str(path)
