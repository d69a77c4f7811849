"""A bench among all: its name, or shop/name where several shops share servers."""

from __future__ import annotations

import re

# Small letters, digits and hyphens: safe in topics, roles, file names, and for home dashboards.
NAME = r"[a-z0-9-]{1,32}"
NAME_PATTERN, SHOP_PATTERN = rf"^{NAME}$", rf"^({NAME})?$"
ADDRESS = re.compile(rf"({NAME}/)?{NAME}")


def address_of(shop: str, bench: str) -> str:
    """The address of a bench; shop: empty where there is but one."""
    return f"{shop}/{bench}" if shop else bench


def parts_of(address: str) -> tuple[str, str]:
    """Shop, empty where there is but one, and bench, of an address."""
    shop, _, bench = address.rpartition("/")
    return shop, bench


def is_address(text: str) -> bool:
    """Whether a bench can be called so."""
    return ADDRESS.fullmatch(text) is not None
