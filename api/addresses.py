"""Where a webhook may point, and to which address its host leads at the moment of sending."""

from __future__ import annotations

import contextlib
import ipaddress
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

from engine.errors import InputError, InputIssue

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
NEEDS = "https://host/path, where the host has a public address or was allowed by the operator"


class ForbiddenAddressError(Exception):
    """A webhook leads to where it must not."""


@dataclass(frozen=True)
class Target:
    """A web address taken apart, and whether its host was allowed by the operator."""

    scheme: str
    host: str
    port: int
    path: str
    allowed: bool


def read_target(url: str, allowed: Sequence[str]) -> Target:
    """Take a web address apart; raises `InputError` for one that no webhook may have.

    Plain http is taken only for hosts that the operator has allowed.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise _refused(url, "this is no web address") from None
    host = (parts.hostname or "").lower()
    if parts.scheme not in {"http", "https"} or not host:
        raise _refused(url, "this is no web address")
    if parts.username or parts.password or parts.fragment:
        raise _refused(url, "a name, a password or a fragment does not belong here")
    if not url.isascii() or any(letter <= " " for letter in url):
        raise _refused(url, "only visible ASCII characters are taken")
    known = host in allowed
    with contextlib.suppress(ValueError):
        if not known and not _is_public(ipaddress.ip_address(host)):
            raise _refused(url, f"{host} is not a public address")
    if parts.scheme == "http" and not known:
        raise _refused(url, "plain http is taken only for hosts that the operator has allowed")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(parts.scheme, host, port or (443 if parts.scheme == "https" else 80), path, known)


def resolve(target: Target) -> str:
    """Return an address to connect to; raises `ForbiddenAddressError` and `OSError`.

    Every address of the host is looked at, and the connection is made to the one that was looked at: a
    name that leads elsewhere the next moment changes nothing.
    """
    found = socket.getaddrinfo(target.host, target.port, type=socket.SOCK_STREAM)
    addresses = [str(entry[4][0]) for entry in found]
    if not target.allowed:
        for address in addresses:
            if not _is_public(ipaddress.ip_address(address.partition("%")[0])):
                raise ForbiddenAddressError(f"{target.host} leads to an address that is not public")
    return addresses[0]


def _is_public(address: IpAddress) -> bool:
    mapped = getattr(address, "ipv4_mapped", None)
    if mapped is not None:
        return _is_public(mapped)
    return address.is_global and not address.is_multicast


def _refused(url: str, why: str) -> InputError:
    return InputError([InputIssue("url", url, why, (NEEDS,))])
