"""Where a call comes from, and by what name the page was called.

A browser can be led to call any address under a name of somebody else's choice, and then takes the
page for that somebody's own (DNS rebinding). So the page answers only to names that are its own.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import Scope

from soakmon.config import Bench
from soakmon.records.jobs.text import inert
from soakmon.texts import say

Ip = ipaddress.IPv4Address | ipaddress.IPv6Address

# Addresses of a shop's own network (RFC 1918, RFC 4193, loopback and link-local). Not
# 100.64.0.0/10: it belongs to carriers and overlay networks, whose other end can be anywhere.
_LOCAL = [
    ipaddress.ip_network(text)
    for text in (
        "127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16",
        "::1/128", "fc00::/7", "fe80::/10",
    )
]  # fmt: skip
# What a proxy may say about a call; whoever calls can say it as well.
FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip", "via")
_PORT = re.compile(r":[0-9]{0,5}$")


def ip_of(address: str) -> Ip | None:
    """The IP address of a text, None for no address; IPv4 that is dressed as IPv6 is IPv4."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return None
    mapped = ip.ipv4_mapped if isinstance(ip, ipaddress.IPv6Address) else None
    return ip if mapped is None else mapped


def is_own(ip: Ip | None) -> bool:
    """Whether an address is one of the shop's own network."""
    return ip is not None and any(ip in net for net in _LOCAL if net.version == ip.version)


def neighbourhood(address: str) -> str:
    """The address, or for IPv6 its /64: one house has as many of those as it likes."""
    ip = ip_of(address)
    if ip is None:
        return "unknown"
    if ip.version == 6:
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return str(ip)


def behind(scope: Scope, proxy: str) -> Scope:
    """The call as it reached the proxy; unchanged when it did not come through it.

    Only the last address of the last X-Forwarded-For is the proxy's own word: what stands before
    it came with the call. A proxy that does not say where a call comes from leaves it unknown: it
    is not the proxy's own.
    """
    peer = ip_of((scope.get("client") or ("", 0))[0])
    if not proxy or peer is None or peer != ip_of(proxy):
        return scope
    headers = Headers(scope=scope)
    came = _last(headers, "x-forwarded-for")
    forwarded = {name.encode() for name in (*FORWARDED, "x-forwarded-proto")}
    others = [(name, value) for name, value in scope["headers"] if name.lower() not in forwarded]
    sealed = _last(headers, "x-forwarded-proto") == "https"
    scheme = "https" if sealed else scope["scheme"]
    client = (came if ip_of(came) is not None else "unknown", 0)
    return {**scope, "client": client, "scheme": scheme, "headers": others}


def _last(headers: Headers, name: str) -> str:
    """The last word of a header that is a list, which can go over several lines."""
    lines = headers.getlist(name)
    return lines[-1].rpartition(",")[2].strip() if lines else ""


def names_of(bench: Bench) -> frozenset[str]:
    """The names that a bench's page answers to beside addresses, in small letters."""
    own = {bench.service.name, socket.gethostname().partition(".")[0]}
    link = urlsplit(bench.phone.link).hostname if "://" in bench.phone.link else None
    names = {"localhost", bench.page.host, link or "", socket.gethostname(), *bench.page.names}
    names |= own | {f"{name}.local" for name in own}
    return frozenset(name.lower() for name in names if name)


def unknown_name(scope: Scope, names: frozenset[str]) -> str | None:
    """What is wrong with the name that a call was made by, in words; None when it is ours.

    Addresses of the shop's network, and the one that the call came to, are always ours.
    """
    asked = Headers(scope=scope).get("host", "")
    host = _PORT.sub("", asked).removeprefix("[").removesuffix("]").rstrip(".").lower()
    ip = ip_of(host)
    came_to = ip_of((scope.get("server") or ("", 0))[0] or "")
    if host in names or (ip is not None and (is_own(ip) or ip == came_to)):
        return None
    said_name = inert(host[:80]) or "nothing"
    return say("network.unknown_name", said=said_name, known=sorted(names)[0])
