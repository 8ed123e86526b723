"""PINs to type, keys in addresses, cookies that nobody can make up, and few tries for whoever guesses."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from tillerlens.core.errors import TillerLensError

Access = Literal["here", "full", "looking"]  # at this computer; with the PIN; with the PIN for looking
LEAST_PIN, MOST_PIN = 6, 64  # characters
COOKIE_S = 24 * 3600.0


class PinError(TillerLensError):
    """The PIN that was asked for cannot be used."""

    code = "pin"


@dataclass(frozen=True)
class Pins:
    """What opens the shop to others. full: to work in it; looking: to look only. None: that way is shut."""

    full: str | None = None
    looking: str | None = None

    @property
    def any(self) -> bool:
        return self.full is not None or self.looking is not None


def make_pin(*taken: str | None) -> str:
    """Make a PIN of six digits that is none of ``taken``."""
    while (pin := f"{secrets.randbelow(1_000_000):06d}") in taken:
        pass
    return pin


def check_pin(text: str) -> str:
    """Give back a PIN that a person chose. Raises PinError when it is too short or cannot be typed on a phone."""
    if not LEAST_PIN <= len(text) <= MOST_PIN:
        raise PinError(f"A PIN has {LEAST_PIN} to {MOST_PIN} characters.", "Choose another, or leave --pin out and one is made.")
    if text != text.strip() or not text.isprintable():
        raise PinError("A PIN neither begins nor ends with a space, and has printable characters only.", "Choose another.")
    return text


def make_pins(look: bool, chosen: str | None) -> Pins:
    """Make the PINs of a shop that opens to the network. look: for looking only. chosen: what the person wants as the PIN."""
    pin = make_pin() if chosen is None else check_pin(chosen)
    return Pins(None, pin) if look else Pins(pin, make_pin(pin))


class Keys:
    """Tells what somebody has shown: a typed PIN, the key in an address, or a cookie given out earlier.

    The keys in addresses are longer than the PINs and nobody types them. The cookies are signed with a secret that lives as
    long as this process, so stopping the shop shuts everyone out.
    """

    def __init__(self, pins: Pins, clock: Callable[[], float] = time.monotonic) -> None:
        self.pins = pins
        self._clock = clock
        self._secret = secrets.token_bytes(32)
        self._pins: dict[Access, str] = {}
        if pins.full is not None:
            self._pins["full"] = pins.full
        if pins.looking is not None:
            self._pins["looking"] = pins.looking
        self.in_address: dict[Access, str] = {kind: secrets.token_urlsafe(18) for kind in self._pins}

    def by_pin(self, typed: str) -> Access | None:
        return _which(self._pins, typed.strip())

    def by_address(self, key: str) -> Access | None:
        return _which(self.in_address, key)

    def cookie(self, kind: Access) -> str:
        """Make a cookie's value for somebody who has shown a PIN or a key."""
        said = f"{kind}.{self._clock():.0f}.{secrets.token_hex(8)}"
        return f"{said}.{self._sign(said)}"

    def by_cookie(self, value: str) -> Access | None:
        said, _, sign = value.rpartition(".")
        if not hmac.compare_digest(self._sign(said).encode(), sign.encode("utf-8", "replace")):
            return None
        kind, since, _ = said.split(".")
        if self._clock() - float(since) > COOKIE_S:
            return None
        return next((k for k in self._pins if k == kind), None)

    def _sign(self, said: str) -> str:
        return hmac.new(self._secret, said.encode("utf-8", "replace"), "sha256").hexdigest()


def _which(known: dict[Access, str], shown: str) -> Access | None:
    """Compare with every key, each in the same time, so that the time taken tells nothing."""
    digest = hashlib.sha256(shown.encode("utf-8", "replace")).digest()
    right = [kind for kind, key in known.items() if hmac.compare_digest(hashlib.sha256(key.encode()).digest(), digest)]
    return right[0] if right else None


@dataclass
class _Count:
    wrong: float = 0.0
    at: float = 0.0
    until: float = 0.0


class Tries:
    """How long whoever guesses must wait: longer with each wrong PIN from one address, and a little for all together.

    An address is forgotten an hour after its last try, or when ``MOST`` newer ones have come; the count of all together stays.
    """

    FREE, FREE_TOGETHER = 3, 30
    LONGEST_S, LONGEST_TOGETHER_S = 900.0, 10.0
    MOST = 1000
    FORGET_S = 3600.0

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._by_address: OrderedDict[str, _Count] = OrderedDict()
        self._together = _Count()

    def wait_s(self, address: str) -> float:
        """How many seconds this address still has to wait before its next try counts; 0 when it may try now."""
        now = self._clock()
        known = self._by_address.get(address)
        return max(0.0, self._together.until - now, 0.0 if known is None else known.until - now)

    def wrong(self, address: str) -> None:
        """Count one wrong try."""
        now = self._clock()
        known = self._by_address.pop(address, _Count())
        if now - known.at > self.FORGET_S:
            known = _Count()
        self._by_address[address] = known
        while len(self._by_address) > self.MOST:
            self._by_address.popitem(last=False)
        together = self._together
        together.wrong = max(0.0, together.wrong - (now - together.at) / 60)  # one a minute is forgotten
        for count, free, longest in ((known, self.FREE, self.LONGEST_S), (together, self.FREE_TOGETHER, self.LONGEST_TOGETHER_S)):
            count.wrong += 1
            count.at = now
            if count.wrong > free:
                count.until = now + min(longest, 2.0 ** min(count.wrong - free, 30))

    def right(self, address: str) -> None:
        """Forget the wrong tries of an address that has shown the full PIN."""
        self._by_address.pop(address, None)
