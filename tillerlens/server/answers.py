"""What the gate itself answers: headers on everything, refusals in a sentence, and the page that asks for the PIN."""

from __future__ import annotations

import base64
import hashlib
import html
import os
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from starlette.types import Message, Receive, Scope, Send

WARNING = (
    "Anyone with the PIN can see, change and remove everything in the shop. Anyone with the PIN for looking can see everything. "
    "The connection is not encrypted (plain http), so others on this network could read along. Open the shop only in a network "
    "whose people you know, and stop it when you are done."
)

RawHeaders = list[tuple[bytes, bytes]]

PYTHON = ".venv\\Scripts\\python" if os.name == "nt" else ".venv/bin/python"
START = f"{PYTHON} -m tillerlens serve --lan"  # the README's own line
ALONE = f"This shop is open to the computer it runs on only. To let others in, start it there with: {START}"
NO_PIN = "This shop asks for its PIN first. Open its address in a browser and type it there."
LOOKING = "You are here to look only, so nothing was changed. Ask whoever runs the shop for the other PIN."
WRONG_NAME = (
    "This shop does not go by that name. Open it by the address it showed when it was started, or start it with --host and "
    "the name."
)
FOREIGN = "That came from a page that is not this shop's, so it was refused. Open the shop itself in the browser."
BAD_PATH = "There is no such place in this shop."
BROKEN = "Something went wrong while this was fetched. Reload the page; what happened is in the program's log."
CROWDED = "Too many tabs have this shop open. Close some that nobody uses, and try again."
WRONG_PIN = "That is not the PIN."
WRONG_KEY = "That code is old: the shop was restarted since. Point the camera at the new code, or type the PIN."

_STYLE = (
    "body{font:1.1rem/1.5 system-ui,sans-serif;background:#faf8f2;color:#16181c;margin:0;padding:2rem 1rem}"
    "main{max-width:24rem;margin:0 auto}h1{font-size:1.6rem}input,button{font:inherit;padding:.6rem;width:100%;"
    "box-sizing:border-box;margin-top:.5rem;border-radius:4px;border:1px solid #8d8570}button{background:#0b5a8a;color:#fff;"
    "border-color:#0b5a8a}.wrong{color:#8c1c13;font-weight:600}"
    "@media (prefers-color-scheme:dark){body{background:#1c1b18;color:#f1ede2}input{background:#2b2924;color:inherit}"
    ".wrong{color:#ff9d8f}a{color:#8ec5ee}}"
)


def _hash(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


@cache
def _own_scripts() -> str:
    """The hashes of the few lines of script that the app's first page itself holds."""
    import streamlit

    try:
        page = (Path(streamlit.__file__).parent / "static" / "index.html").read_text(encoding="utf-8")
    except OSError:
        return ""  # then those lines do not run, which the app can do without
    return " ".join(_hash(text) for text in re.findall(r"<script>(.*?)</script>", page, re.DOTALL))


def policy(host: str) -> str:
    """What the app's pages may load and who may frame them. host: as in the request, already checked.

    Charts are drawn by code that is made as they are read, hence ``unsafe-eval``; the point editor's script comes as a ``blob:``.
    """
    return "; ".join(
        (
            "default-src 'self'",
            f"script-src 'self' {_own_scripts()} 'unsafe-eval' blob:",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "media-src 'self' blob:",
            f"connect-src 'self' ws://{host} wss://{host}",
            "worker-src 'self' blob:",
            "frame-src 'none'",
            "object-src 'none'",
            "base-uri 'self'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def guards(host: str, trusted: bool) -> RawHeaders:
    """The headers that every answer of the app carries. trusted: a browser calls this origin trustworthy (https or loopback)."""
    found = [
        (b"content-security-policy", policy(host).encode()),
        (b"x-frame-options", b"DENY"),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"cross-origin-resource-policy", b"same-origin"),
    ]
    if trusted:  # elsewhere browsers ignore it and complain
        found.append((b"cross-origin-opener-policy", b"same-origin"))
    return found


def with_headers(send: Send, more: RawHeaders) -> Send:
    """Send with these headers, in place of any of the same names."""
    names = {name for name, _ in more}

    async def sending(message: Message) -> None:
        if message["type"] in ("http.response.start", "websocket.http.response.start"):
            kept = [(name, value) for name, value in message.get("headers", []) if name.lower() not in names]
            message = {**message, "headers": [*kept, *more]}
        await send(message)

    return sending


_OWN = [  # Referrer-Policy differs: with no-referrer a browser would send the form's Origin as "null"
    (b"content-security-policy", f"default-src 'none'; style-src {_hash(_STYLE)}; form-action 'self'; base-uri 'none'; "
     "frame-ancestors 'none'".encode()),
    (b"x-frame-options", b"DENY"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
]  # fmt: skip


async def answer(send: Send, status: int, body: str, kind: str = "text/plain", more: Iterable[tuple[str, str]] = ()) -> None:
    """Send a whole answer of the gate's own."""
    data = body.encode()
    headers = [*_OWN, (b"content-type", f"{kind}; charset=utf-8".encode()), (b"content-length", str(len(data)).encode())]
    headers += [(name.encode(), value.encode("latin-1")) for name, value in more]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": data})


async def refuse(scope: Scope, receive: Receive, send: Send, status: int, why: str) -> None:
    """Refuse a request or a live connection in a sentence."""
    if scope["type"] == "http":
        more = [("www-authenticate", 'PIN realm="TillerLens"')] if status == 401 else []
        await answer(send, status, why + "\n", more=more)
        return
    await receive()  # its "websocket.connect"
    if "websocket.http.response" in scope.get("extensions", {}):
        data = (why + "\n").encode()
        headers = [*_OWN, (b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(data)).encode())]
        await send({"type": "websocket.http.response.start", "status": status, "headers": headers})
        await send({"type": "websocket.http.response.body", "body": data})
    else:
        await send({"type": "websocket.close", "code": 1008, "reason": why[:120]})


def pin_page(trouble: str = "") -> str:
    """The page that asks for the PIN. It posts to the address it stands at."""
    told = f'<p class="wrong" role="alert">{html.escape(trouble)}</p>' if trouble else ""
    return _page(
        "PIN",
        "<h1>What is the shop's PIN?</h1><p>It is on the screen of the computer that runs TillerLens, beside the code for the "
        f'phone\'s camera.</p>{told}<form method="post"><label for="pin">PIN</label>'
        '<input id="pin" name="pin" autofocus required maxlength="64" autocomplete="off" autocapitalize="none" '
        'spellcheck="false">'
        "<button>Open the shop</button></form>",
    )


def onward_page(place: str) -> str:
    """A page that goes on at once to ``place`` without the key; a step of its own, or a browser that came from elsewhere
    would leave the new cookie at home."""
    where = html.escape(place, quote=True)
    refresh = f'<meta http-equiv="refresh" content="0;url={where}">'
    return _page("Opening the shop", f'<p>Opening the shop. <a href="{where}">Go on</a></p>', refresh)


def _page(title: str, body: str, head: str = "") -> str:
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{title} - TillerLens</title>{head}<style>{_STYLE}</style></head><body><main>{body}</main></body></html>"
    )
