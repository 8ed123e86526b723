"""``tillerlens serve`` as a person starts it: what it says, whom it answers over real sockets, and that nothing outlives it."""

import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from types import SimpleNamespace

import pytest

from tests.support.in_browser import running_app
from tests.support.serving import ROOT, free_port, listens, raw, serving
from tillerlens.cli.serve import lan_address, make_shop, settings

GONE_S = 2.0  # after its end, nothing listens any more
CLIMBS = (
    "../../../../etc/passwd",
    "%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    "..%2f..%2f..%2f..%2fetc/passwd",
    "%252e%252e%252f%252e%252e%252fetc/passwd",
    "..%5c..%5c..%5cetc%5cpasswd",
    "%2fetc/passwd",
    "//etc/passwd",
    "....//....//etc/passwd",
    "..%c0%af..%c0%afetc/passwd",
    "%00/../etc/passwd",
)
ROUTES = ("static", "media", "component", "_stcore/bidi-components", "app/static", "_stcore/upload_file", "")


def test_both_ways_to_start_the_app_set_the_same():
    with (ROOT / ".streamlit" / "config.toml").open("rb") as file:
        table = tomllib.load(file)

    def flat(part, name=""):
        for key, value in part.items():
            yield from flat(value, f"{name}{key}.") if isinstance(value, dict) else [(f"{name}{key}", value)]

    given, filed = settings(False, 8501), dict(flat(table))
    assert {name: given.get(name) for name in filed} == filed
    own = {"server.port", "server.headless", "server.maxMessageSize", "logger.hideWelcomeMessage"}
    assert set(given) - set(filed) == own


def test_the_app_listens_to_this_computer_unless_told_otherwise():
    assert settings(False, 8501)["server.address"] == "127.0.0.1" and settings(True, 8501)["server.address"] == "0.0.0.0"
    assert not make_shop(False, False, None, [], 8501).open_to_others


@pytest.mark.parametrize(
    "options, told",
    [
        (["--look"], "--lan"),
        (["--pin", "123456"], "--lan"),
        (["--lan", "--pin", "123"], "6 to 64 characters"),
        (["--lan", "--host", "http://bench"], "without http://"),
    ],
)
def test_what_cannot_be_served_is_told(options, told):
    call = [sys.executable, "-m", "tillerlens", "serve", "--port", str(free_port()), *options]
    done = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("lan"), "--lan", "--pin", "a word of ours", "--host", "bench.example") as app:
        yield app


def ask(served, path="/_stcore/health", host=None, method="GET", **more):
    """One request from this machine, written out. more: headers, with _ for -."""
    headers = {"Host": host or f"127.0.0.1:{served.port}", "Connection": "close", **more}
    lines = [f"{method} {path} HTTP/1.1", *(f"{n.replace('_', '-')}: {v}" for n, v in headers.items())]
    return raw(served.port, ("\r\n".join(lines) + "\r\n\r\n").encode())


def handshake(served, **more):
    upgrade = {"Upgrade": "websocket", "Sec_WebSocket_Version": "13", "Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ=="}
    here = f"http://127.0.0.1:{served.port}"
    return ask(served, "/_stcore/stream", **{"Origin": here, **upgrade, **more, "Connection": "Upgrade"})


FROM_PHONE = {"X_Forwarded_For": "192.168.1.31"}  # as if passed on from a phone, so a PIN is asked for


@pytest.mark.slow
def test_it_says_its_address_and_pins(served):
    assert f"http://{lan_address()}:{served.port}" in served.out and "█" in served.out
    assert "PIN: a word of ours" in served.out and re.search(r"PIN for looking only: \d{6}\n", served.out)
    log = served.log.read_text()
    assert "not encrypted" in log and "a word of ours" not in log


@pytest.mark.slow
def test_it_answers_by_its_own_names_only(served):
    assert ask(served)[0] == 200
    assert ask(served, host=f"bench.example:{served.port}")[0] == 200
    status, text = ask(served, host="evil.example")
    assert status == 421 and b"does not go by that name" in text
    assert ask(served, "/", host=f"evil.example:{served.port}")[0] == 421


@pytest.mark.slow
def test_no_page_of_another_site_reaches_the_live_connection(served):
    assert handshake(served)[0] == 101
    for more in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Host": "evil.example", "Origin": "http://evil.example"},
    ):
        host = more.pop("Host", None)
        assert handshake(served, host=host, **more)[0] in (403, 421)
    assert ask(served, "/", Origin="http://evil.example")[0] == 403


@pytest.mark.slow
@pytest.mark.parametrize("route", ROUTES)
@pytest.mark.parametrize("climb", CLIMBS)
def test_no_path_leads_out_of_its_folder(served, route, climb):
    """Written to the socket as it stands, since a client would tidy it up first."""
    status, text = ask(served, f"/{route}/{climb}" if route else f"/{climb}")
    assert b"root:" not in text
    assert status in (400, 404, 405) or (status == 200 and b'<div id="root">' in text), (status, text[:300])  # the app's own page


@pytest.mark.slow
@pytest.mark.parametrize("path", ["/", "/_stcore/health", "/_stcore/host-config", "/_stcore/metrics", "/media/x", "/static/js/x"])
def test_others_need_the_pin_for_everything(served, path):
    for method in ("GET", "HEAD", "OPTIONS"):
        assert ask(served, path, method=method, **FROM_PHONE)[0] == 401
    assert ask(served, path, method="PUT", Origin=f"http://127.0.0.1:{served.port}", Content_Length="0", **FROM_PHONE)[0] == 401
    assert handshake(served, **FROM_PHONE)[0] == 401


def alive(pid):
    """Those of a process and all it has started that still run."""
    listed = subprocess.run(["ps", "-e", "-o", "pid=,pgid=,stat="], capture_output=True, text=True, check=True).stdout
    rows = (line.split() for line in listed.splitlines())
    return [int(p) for p, group, stat in rows if int(group) == pid and not stat.startswith("Z")]


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="it has other signals")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_nothing_listens_once_it_is_killed(tmp_path, how):
    """Each signal goes to the one process that was started, and not to its group."""
    with serving(tmp_path, "--lan") as app:
        assert ask(app)[0] == 200 and listens(app.port)
        os.kill(app.process.pid, how)
        time.sleep(GONE_S)
        assert not listens(app.port) and not listens(app.port, lan_address())
        app.process.wait(20)
        assert alive(app.process.pid) == []
        assert "Traceback" not in app.log.read_text()


@pytest.mark.slow
def test_the_app_started_by_itself_has_the_same_gate(tmp_path):
    """``streamlit run app.py`` answers this computer by its own names, and nobody else."""
    with running_app(tmp_path) as url:
        app = SimpleNamespace(port=int(url.rsplit(":", 1)[1]))
        assert ask(app)[0] == 200 and ask(app, "/")[0] == 200 and handshake(app)[0] == 101
        assert ask(app, host="evil.example")[0] == 421
        assert handshake(app, Origin="http://evil.example")[0] == 403
        status, text = ask(app, "/", **FROM_PHONE)
        assert status == 403 and b"tillerlens serve --lan" in text
        assert b"frame-ancestors 'none'" in ask(app, "/")[1]
