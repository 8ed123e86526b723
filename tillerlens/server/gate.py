"""The gate itself: what it lets through to the app, in the order in which it asks."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tillerlens.server import answers, hosts
from tillerlens.server.keys import COOKIE_S, Access
from tillerlens.server.shop import Shop
from tillerlens.server.uploads import MB, MOST_MB
from tillerlens.server.visit import VISIT_HEADER

_LOG = logging.getLogger(__name__)
_LOOKS = ("GET", "HEAD", "OPTIONS")
_UPLOADS = "/_stcore/upload_file/"
_MOST_FORM = 2048  # bytes of a typed PIN with what is around it
_DRAINED = (MOST_MB + 2) * MB  # of a refused upload, so that the browser reads the answer


class _TooMuch(Exception):
    """Ends the reading of an upload that there is no room for."""


@dataclass(frozen=True)
class _Asked:
    """One request, or one live connection about to open."""

    headers: dict[str, list[str]]
    host: tuple[str, int | None]
    address: str  # whom it came from
    nearby: bool  # from this computer itself, passed on by nobody

    def one(self, name: str) -> str | None:
        found = self.headers.get(name)
        return found[0] if found else None

    @property
    def host_text(self) -> str:
        name, port = self.host
        shown = f"[{name}]" if ":" in name else name
        return shown if port is None else f"{shown}:{port}"


class Gate:
    """ASGI middleware that stands before everything the app's server answers, live connections included.

    It asks in this order: does this computer go by the name in the Host header; does the path stay inside; does the request come
    from a page of this shop; has whoever sends it shown a PIN (this computer need not); may they change something.
    """

    def __init__(self, app: ASGIApp, shop: Shop) -> None:
        self._app, self._shop = app, shop

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        asked = self._read(scope)
        if asked is None:
            await answers.refuse(scope, receive, send, 421, answers.WRONG_NAME)
        elif hosts.climbs(scope.get("raw_path"), scope["path"]):
            await answers.refuse(scope, receive, send, 400, answers.BAD_PATH)
        elif not self._from_a_page_of_ours(scope, asked):
            await answers.refuse(scope, receive, send, 403, answers.FOREIGN)
        elif scope["type"] == "websocket":
            await self._connect(scope, receive, send, asked)
        else:
            await self._request(scope, receive, send, asked)

    # --- what is asked

    def _read(self, scope: Scope) -> _Asked | None:
        """None when the request calls this computer by a name it does not go by."""
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        named = headers.get("host", [])
        host = hosts.split_host(named[0]) if len(named) == 1 else None
        reached = scope.get("server") or (None, None)
        if host is None or not hosts.is_own(host[0], self._shop.names, reached[0]):
            return None
        client = scope.get("client") or ("", 0)
        nearby = hosts.is_loopback(client[0]) and not hosts.passed_on(scope["headers"])
        return _Asked(headers, host, client[0], nearby)

    def _from_a_page_of_ours(self, scope: Scope, asked: _Asked) -> bool:
        origins = asked.headers.get("origin", [])
        if len(origins) > 1 or (origins and not hosts.same_site(origins[0], asked.host)):
            return False
        changes = scope["type"] == "websocket" or scope["method"] not in _LOOKS
        if changes:
            return bool(origins)  # every browser says where such a request comes from
        site, how = asked.one("sec-fetch-site"), asked.one("sec-fetch-mode")
        if site in ("cross-site", "same-site"):  # a link elsewhere may lead here, but no other page may take in what is here
            return how == "navigate" and asked.one("sec-fetch-dest") == "document"
        return True

    def _who(self, asked: _Asked) -> Access | None:
        if asked.nearby:
            return "here"
        cookies: SimpleCookie = SimpleCookie()
        for line in asked.headers.get("cookie", []):
            try:
                cookies.load(line)
            except CookieError:
                continue  # somebody else's odd cookie; ours has none but letters, digits and dots
        shown = cookies.get(self._shop.cookie)
        return None if shown is None else self._shop.keys.by_cookie(shown.value)

    # --- live connections

    async def _connect(self, scope: Scope, receive: Receive, send: Send, asked: _Asked) -> None:
        kind = self._who(asked)
        if kind is None:
            status, why = (401, answers.NO_PIN) if self._shop.open_to_others else (403, answers.ALONE)
            await answers.refuse(scope, receive, send, status, why)
            return
        visit = self._shop.come_in(kind, asked.address)
        if visit is None:
            await answers.refuse(scope, receive, send, 503, answers.CROWDED)
            return
        headers = [(n, v) for n, v in scope["headers"] if n.lower() != VISIT_HEADER.encode()]
        headers.append((VISIT_HEADER.encode(), visit.id.encode()))
        if kind == "looking":
            headers = _without_session(headers)
        try:
            await self._app({**scope, "headers": headers}, receive, send)
        finally:
            self._shop.leave(visit)

    # --- requests

    async def _request(self, scope: Scope, receive: Receive, send: Send, asked: _Asked) -> None:
        kind = self._who(asked)
        method, path = scope["method"], scope["path"]
        query = parse_qsl(scope.get("query_string", b"").decode("latin-1"), keep_blank_values=True)
        key = next((value for name, value in query if name == "key"), None)
        known = kind == "here" or self._shop.open_to_others
        if method == "GET" and key is not None and known and not path.startswith("/_stcore/"):
            place = _place(path, [(n, v) for n, v in query if n != "key"])
            await self._take_key(send, asked, key, place, kind)
        elif kind is None:
            await self._without_key(scope, receive, send, asked)
        elif kind == "looking" and method not in _LOOKS:
            await answers.refuse(scope, receive, send, 403, answers.LOOKING)
        else:
            headers = [(n, v) for n, v in scope["headers"] if n.lower() != VISIT_HEADER.encode()]
            trusted = asked.host[0] == "localhost" or hosts.is_loopback(asked.host[0]) or scope.get("scheme") == "https"
            guarded = answers.with_headers(send, answers.guards(asked.host_text, trusted))
            await self._pass({**scope, "headers": headers}, receive, guarded, asked)

    async def _take_key(self, send: Send, asked: _Asked, key: str, place: str, kind: Access | None) -> None:
        """Exchange the key in an address for a cookie, and drop it from the address."""
        if kind == "here":
            await answers.answer(send, 200, answers.onward_page(place), "text/html")
            return
        kind = self._shop.keys.by_address(key)  # too long to be guessed, so no tries are counted
        if kind is None:
            await self._ask_pin(send, answers.WRONG_KEY)
        else:
            await self._let_in(send, kind, place)

    async def _without_key(self, scope: Scope, receive: Receive, send: Send, asked: _Asked) -> None:
        method, path = scope["method"], scope["path"]
        form = (asked.one("content-type") or "").split(";")[0].strip() == "application/x-www-form-urlencoded"
        if not self._shop.open_to_others:
            await answers.refuse(scope, receive, send, 403, answers.ALONE)
        elif method == "POST" and form and not path.startswith("/_stcore/"):
            typed = await _typed_pin(receive)
            place = _place(path, parse_qsl(scope.get("query_string", b"").decode("latin-1"), keep_blank_values=True))
            await self._try_pin(send, asked, typed, place)
        elif method == "GET" and "text/html" in (asked.one("accept") or ""):
            await self._ask_pin(send)
        else:
            await answers.refuse(scope, receive, send, 401, answers.NO_PIN)

    async def _try_pin(self, send: Send, asked: _Asked, typed: str, place: str) -> None:
        shop = self._shop
        wait = shop.tries.wait_s(asked.address)
        if wait > 0:
            seconds = math.ceil(wait)
            text = (
                f"There were too many wrong PINs. Wait {_time(seconds)}, then try again, or use the code for the phone's camera."
            )
            await answers.answer(send, 429, answers.pin_page(text), "text/html", [("retry-after", str(seconds))])
            return
        kind = shop.keys.by_pin(typed)
        if kind is None:
            shop.tries.wrong(asked.address)
            await self._ask_pin(send, answers.WRONG_PIN)
            return
        if kind == "full":  # the PIN for looking must not buy more guesses at the other
            shop.tries.right(asked.address)
        await self._let_in(send, kind, place)

    async def _ask_pin(self, send: Send, trouble: str = "") -> None:
        await answers.answer(send, 401, answers.pin_page(trouble), "text/html", [("www-authenticate", 'PIN realm="TillerLens"')])

    async def _let_in(self, send: Send, kind: Access, place: str) -> None:
        shop = self._shop
        cookie = f"{shop.cookie}={shop.keys.cookie(kind)}; Path=/; Max-Age={COOKIE_S:.0f}; HttpOnly; SameSite=Strict"
        await answers.answer(send, 200, answers.onward_page(place), "text/html", [("set-cookie", cookie)])

    # --- through to the app

    async def _pass(self, scope: Scope, receive: Receive, send: Send, asked: _Asked) -> None:
        started = False

        async def watching(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            if scope["method"] in ("PUT", "POST", "PATCH"):
                await self._metered(scope, receive, watching, asked)
            else:
                await self._app(scope, receive, watching)
        except Exception:
            _LOG.exception("%s %s failed", scope["method"], scope["path"])
            if started:
                raise
            await answers.refuse(scope, receive, send, 500, answers.BROKEN)

    async def _metered(self, scope: Scope, receive: Receive, send: Send, asked: _Asked) -> None:
        """Pass a request with a body on, and stop reading as soon as there is no room for more of it."""
        uploads = self._shop.uploads
        session = scope["path"].removeprefix(_UPLOADS).split("/")[0] if scope["path"].startswith(_UPLOADS) else ""
        length = asked.one("content-length")
        why = uploads.room(session, int(length)) if length is not None and length.isdecimal() else None
        if why is not None:
            uploads.refuse(session, why)
            await _drain(receive)
            await answers.refuse(scope, receive, send, 413, why)
            return
        come = 0

        async def metering() -> Message:
            nonlocal come, why
            message = await receive()
            more = len(message.get("body", b""))
            why = uploads.room(session, more, come)
            if why is not None:
                raise _TooMuch
            uploads.coming(session, more)
            come += more
            return message

        try:
            await self._app(scope, metering, send)
        except _TooMuch:
            assert why is not None
            uploads.refuse(session, why)
            await _drain(receive)
            await answers.refuse(scope, receive, send, 413, why)
        finally:
            uploads.coming(session, -come)


def _without_session(headers: Sequence[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """Drop the name of an earlier session, so that whoever may only look never goes on in the session of another."""
    kept = []
    for name, value in headers:
        if name.lower() == b"sec-websocket-protocol":
            value = b",".join(value.split(b",")[:2])
        kept.append((name, value))
    return kept


def _place(path: str, query: list[tuple[str, str]]) -> str:
    """A place in this shop, never one elsewhere."""
    from urllib.parse import quote

    return "/" + quote(path.lstrip("/\\")) + (f"?{urlencode(query)}" if query else "")


def _time(seconds: int) -> str:
    if seconds == 1:
        return "a second"
    return f"{seconds} seconds" if seconds < 120 else f"{math.ceil(seconds / 60)} minutes"


async def _typed_pin(receive: Receive) -> str:
    """The PIN in a form's body; empty when the body is too long to be that form."""
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > _MOST_FORM:
            return ""
        if message["type"] != "http.request" or not message.get("more_body"):
            break
    return dict(parse_qsl(body.decode("utf-8", "replace"))).get("pin", "")


async def _drain(receive: Receive) -> None:
    """Read on to the end of a refused body, up to a limit, and keep nothing of it."""
    read = 0
    while read < _DRAINED:
        message = await receive()
        read += len(message.get("body", b""))
        if message["type"] != "http.request" or not message.get("more_body"):
            return
