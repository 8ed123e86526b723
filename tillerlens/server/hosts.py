"""By what names this computer may be called, and whether a request comes from a page of its own."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Iterable, Sequence
from urllib.parse import unquote, urlsplit

Headers = Sequence[tuple[bytes, bytes]]
_NAME = re.compile(r"[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?)*")
_PASSED_ON = (b"forwarded", b"x-forwarded-for", b"x-real-ip", b"x-forwarded-host", b"via")


def own_names() -> frozenset[str]:
    """The names this computer goes by: its own, and the same with ``.local``. Nothing is asked of the network."""
    name = socket.gethostname().lower().rstrip(".")
    names = {name, name.split(".")[0], f"{name.split('.')[0]}.local"}
    return frozenset(name for name in names if _NAME.fullmatch(name) and not _address(name)) | {"localhost"}


def check_name(name: str) -> str | None:
    """Give a host name or address in the form it is compared in; None when it is neither."""
    plain = name.strip().lower().rstrip(".")
    return plain if _NAME.fullmatch(plain) or _address(plain) else None


def split_host(header: str) -> tuple[str, int | None] | None:
    """Split a Host header into name or address and port; None when it is not one."""
    try:
        parts = urlsplit(f"//{header}")
        name, port = parts.hostname, parts.port
    except ValueError:
        return None
    if name is None or parts.netloc != header or parts.username is not None or parts.password is not None:
        return None
    plain = check_name(name)
    return None if plain is None else (plain, port)


def is_own(name: str, names: Iterable[str], reached: str | None) -> bool:
    """Whether this computer goes by ``name``. reached: the own address that the request was sent to.

    A page of another site can make a browser call this computer by a name of that site, but never by an address.
    """
    if name in names:
        return True
    address = _address(name)
    if address is None:
        return False
    return is_loopback(name) or (reached is not None and address == _address(reached))


def is_loopback(address: str | None) -> bool:
    found = _address(address or "")
    return found is not None and found.is_loopback


def same_site(origin: str, host: tuple[str, int | None]) -> bool:
    """Whether an Origin header names the very host the request was sent to."""
    try:
        parts = urlsplit(origin)
        told = split_host(parts.netloc)
    except ValueError:
        return False
    usual = {"http": 80, "https": 443}.get(parts.scheme)
    if usual is None or told is None or parts.path or parts.query or parts.fragment:
        return False
    return told[0] == host[0] and (told[1] or usual) == (host[1] or usual)


def passed_on(headers: Headers) -> bool:
    """Whether something between here and there has passed the request on, so that its sender is not whom it seems to be."""
    return any(name in _PASSED_ON for name, _ in headers)


def climbs(raw: bytes | None, path: str) -> bool:
    """Whether a path leads out of its folder in any spelling, or is none that this app has."""
    text = path if raw is None else raw.decode("latin-1")
    for _ in range(4):
        if "\\" in text or "\0" in text or text.startswith("//") or ".." in text.split("?")[0].split("/"):
            return True
        plainer = unquote(text)
        if plainer == text:
            return False
        text = plainer
    return True  # encoded over and over


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        found = ipaddress.ip_address(text.strip("[]"))
    except ValueError:
        return None
    mapped = getattr(found, "ipv4_mapped", None)
    return found if mapped is None else mapped
