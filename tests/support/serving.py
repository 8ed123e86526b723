"""What tests of the gate share: requests put to it without a server, and ``tillerlens serve`` as a process of its own."""

import asyncio
import os
import re
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tillerlens.cli.serve import lan_address
from tillerlens.server import Gate

ROOT = Path(__file__).parents[2]
START_S = 60
HERE, PHONE_AT, BENCH_AT = "127.0.0.1", "192.168.1.31", "192.168.1.20"  # this computer, a phone, this computer in its network


@dataclass
class Answer:
    status: int
    headers: list = field(default_factory=list)
    body: bytes = b""

    @property
    def text(self):
        return self.body.decode()

    def all(self, name):
        return [v.decode() for n, v in self.headers if n.decode().lower() == name]

    def __getitem__(self, name):
        (value,) = self.all(name)
        return value

    @property
    def cookie(self):
        return self["set-cookie"].split(";")[0]


class App:
    """Behind the gate: says what reached it, and reads a body to its end."""

    def __init__(self):
        self.reached = []

    async def __call__(self, scope, receive, send):
        self.reached.append(scope)
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.accept"})
            await receive()  # until it is closed
            return
        while (message := await receive()).get("more_body"):
            assert message["type"] == "http.request"
        await send({"type": "http.response.start", "status": 200, "headers": [(b"x-frame-options", b"ALLOWALL")]})
        await send({"type": "http.response.body", "body": b"through"})


class Door:
    """A gate with ``App`` behind it, to which requests are put as a server would."""

    def __init__(self, shop):
        self.shop, self.app = shop, App()
        self.gate = Gate(self.app, shop)

    def ask(self, path="/", method="GET", come_from=PHONE_AT, host=f"{BENCH_AT}:8501", body=(), origin=None, cookie=None, **more):
        """One request. body: its chunks. more: headers, with _ for -."""
        path, _, query = path.partition("?")
        scope = self._scope("http", path, query, come_from, host, origin, cookie, more) | {"method": method}
        chunks = [body] if isinstance(body, bytes) else list(body)
        coming = [{"type": "http.request", "body": c, "more_body": i + 1 < len(chunks)} for i, c in enumerate(chunks)]
        coming = coming or [{"type": "http.request", "body": b"", "more_body": False}]
        sent = self._run(scope, coming)
        start = next(m for m in sent if m["type"] == "http.response.start")
        return Answer(start["status"], start["headers"], b"".join(m.get("body", b"") for m in sent))

    def connect(self, come_from=PHONE_AT, host=f"{BENCH_AT}:8501", origin=f"http://{BENCH_AT}:8501", cookie=None, **more):
        """Open the live connection, and close it at once; 101 where it was accepted."""
        scope = self._scope("websocket", "/_stcore/stream", "", come_from, host, origin, cookie, more)
        sent = self._run(
            scope | {"subprotocols": []}, [{"type": "websocket.connect"}, {"type": "websocket.disconnect", "code": 1000}]
        )
        if sent[0]["type"] == "websocket.accept":
            return Answer(101)
        assert sent[0]["type"] == "websocket.http.response.start"
        return Answer(sent[0]["status"], sent[0]["headers"], b"".join(m.get("body", b"") for m in sent))

    def _scope(self, kind, path, query, come_from, host, origin, cookie, more):
        headers = [] if host is None else [(b"host", host.encode())]
        headers += [] if origin is None else [(b"origin", origin.encode())]
        headers += [] if cookie is None else [(b"cookie", cookie.encode())]
        headers += [(n.replace("_", "-").encode(), v.encode()) for n, v in more.items()]
        return {
            "type": kind, "path": path, "raw_path": path.encode(), "query_string": query.encode(), "headers": headers,
            "client": (come_from, 50000), "server": (HERE if come_from == HERE else BENCH_AT, 8501), "scheme": "http",
            "extensions": {"websocket.http.response": {}},
        }  # fmt: skip

    def _run(self, scope, coming):
        sent = []

        async def receive():
            return coming.pop(0)

        async def send(message):
            sent.append(message)

        asyncio.run(self.gate(scope, receive, send))
        return sent


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def listens(port, address="127.0.0.1"):
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex((address, port)) == 0


@dataclass
class Served:
    """A running ``tillerlens serve``. out: what it has printed."""

    process: subprocess.Popen
    port: int
    out: str
    log: Path

    @property
    def here(self):
        return f"http://127.0.0.1:{self.port}"

    @property
    def lan(self):
        """Its address in the network; a test that needs one skips where there is no network."""
        address = lan_address()
        if address.startswith("127."):
            pytest.skip("this machine is in no network")
        return f"http://{address}:{self.port}"

    @property
    def pin(self):
        return re.search(r"PIN: (\S+)", self.out)[1]

    @property
    def looking_pin(self):
        return re.search(r"PIN for looking only: (\S+)", self.out)[1]


@contextmanager
def serving(folder, *options):
    """``tillerlens serve`` with these options, until it answers; its record lies in ``folder``."""
    port = free_port()
    call = [sys.executable, "-m", "tillerlens", "serve", "--no-open", "--port", str(port), *options]
    environment = {**os.environ, "TILLERLENS_RECORD": str(folder / "record"), "PYTHONUNBUFFERED": "1"}
    out, log = folder / "out", folder / "log"
    with out.open("wb") as told, log.open("wb") as logged:
        process = subprocess.Popen(call, cwd=ROOT, env=environment, stdout=told, stderr=logged, start_new_session=True)
    try:
        end = time.monotonic() + START_S
        while not listens(port):
            assert process.poll() is None, log.read_text()
            assert time.monotonic() < end, f"it did not start in {START_S} s: {log.read_text()}"
            time.sleep(0.1)
        yield Served(process, port, out.read_text(), log)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def raw(port, request, address="127.0.0.1"):
    """Send bytes as they are and give the status and the rest of the answer."""
    with socket.create_connection((address, port), timeout=20) as line:
        line.sendall(request)
        line.settimeout(20)
        answer = b""
        while not answer.startswith(b"HTTP/1.1 101") and (block := line.recv(65536)):
            answer += block
    return int(answer.split(b" ", 2)[1]), answer
