"""The shop as the gate knows it: its names, keys and visitors. One stands open in a process."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from tillerlens.server.hosts import own_names
from tillerlens.server.keys import Access, Keys, Pins, Tries
from tillerlens.server.uploads import Uploads

MOST_VISITS = 100  # tabs open at once, of everyone


@dataclass(frozen=True)
class Visit:
    """One tab that has the shop open. since: in local time."""

    id: str
    kind: Access
    address: str
    since: datetime


class Shop:
    """What the gate decides by, and who is in.

    Parameters
    ----------
    pins
        What lets others in; with none, only this computer gets in.
    names
        More names that this computer may be called by.
    address
        Where the network finds it, like ``http://192.168.1.20:8501``; None when it is not open to the network.
    port
        What it listens on, for the cookie's name: two shops on one computer keep theirs apart.
    """

    def __init__(self, pins: Pins, names: Iterable[str] = (), address: str | None = None, port: int = 8501) -> None:
        self.keys = Keys(pins)
        self.names = own_names() | frozenset(names)
        self.address = address
        self.cookie = f"tillerlens_{port}"
        self.tries = Tries()
        self.uploads = Uploads()
        self._visits: dict[str, Visit] = {}
        self._lock = threading.Lock()  # the pages run in threads of their own

    @property
    def open_to_others(self) -> bool:
        return self.keys.pins.any

    def come_in(self, kind: Access, address: str) -> Visit | None:
        """Note that somebody has opened a tab; None when there are too many."""
        visit = Visit(secrets.token_hex(16), kind, address, datetime.now())
        with self._lock:
            if len(self._visits) >= MOST_VISITS and kind != "here":
                return None
            self._visits[visit.id] = visit
        return visit

    def leave(self, visit: Visit) -> None:
        with self._lock:
            self._visits.pop(visit.id, None)

    def visit(self, id: str) -> Visit | None:
        with self._lock:
            return self._visits.get(id)

    def visits(self) -> list[Visit]:
        """Everybody who is in, who came first first."""
        with self._lock:
            return sorted(self._visits.values(), key=lambda v: v.since)

    def link(self, kind: Access) -> str | None:
        """The address that lets somebody in without typing a PIN; None when that way is shut."""
        key = self.keys.in_address.get(kind)
        return None if key is None or self.address is None else f"{self.address}/?key={key}"


_now: Shop | None = None


def open_shop(shop: Shop) -> Shop:
    """Make this the shop that the pages of this process ask about."""
    global _now
    _now = shop
    return shop


def shop_now() -> Shop | None:
    return _now
