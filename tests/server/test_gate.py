"""The gate in front of the app: by what name, from what page, with what key, and how far; requests put as a server would."""

import re

import pytest

from tests.support.serving import BENCH_AT, HERE, PHONE_AT, Door
from tillerlens.server import LookingOnly, Pins, Shop, open_shop
from tillerlens.server import hosts as gate_hosts
from tillerlens.server import uploads as gate_uploads
from tillerlens.server import visit as gate_visit
from tillerlens.server.keys import Keys, PinError, Tries, check_pin, make_pins
from tillerlens.server.uploads import MB, Uploads
from tillerlens.server.visit import VISIT_HEADER, kind_now, others_in_words, refuse_if_looking

PINS = Pins("314159", "271828")
OURS = f"http://{BENCH_AT}:8501"
FORM = {"content_type": "application/x-www-form-urlencoded"}


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def held():
    """What the app holds of uploads, by session."""
    return {}


@pytest.fixture
def door(held):
    shop = Shop(PINS, ["bench.example"], OURS)
    shop.uploads = Uploads(lambda: held)
    return Door(shop)


def typed(door, pin, path="/", **more):
    return door.ask(path, "POST", body=f"pin={pin}".encode(), origin=OURS, **FORM, **more)


def cookie(door, pin):
    return typed(door, pin).cookie


# --- names


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8501",
        "192.168.1.99:8501",
        "localhost.evil.example",
        "",
        "a b",
        "x@localhost",
        "127.0.0.1.evil.example",
        "localhost:notaport",
        "[::1",
        "localhost/evil",
        None,
    ],
)
@pytest.mark.parametrize("come_from", [HERE, PHONE_AT])
def test_a_name_of_somebody_else_is_refused(door, host, come_from):
    """A page elsewhere can have its own name lead to this computer's address (DNS rebinding): the Host header gives it away."""
    own = cookie(door, PINS.full)
    door.app.reached.clear()
    assert door.ask("/", host=host, come_from=come_from, cookie=own).status == 421
    assert door.connect(host=host, come_from=come_from, cookie=own, origin=f"http://{host}").status == 421
    assert not door.app.reached


@pytest.mark.parametrize(
    "host", ["localhost:8501", "LOCALHOST", "127.0.0.1:9000", "[::1]:8501", "bench.example", "bench.example.:8501"]
)
def test_this_computer_gets_in_by_its_own_names(door, host):
    answer = door.ask("/", come_from=HERE, host=host)
    assert (answer.status, answer.text) == (200, "through")


def test_two_host_headers_are_refused(door):
    scope = door._scope("http", "/", "", HERE, "localhost", None, None, {"Host": "evil.example"}) | {"method": "GET"}
    assert door._run(scope, [])[0]["status"] == 421


def test_the_own_name_and_its_local_one_are_known(monkeypatch):
    monkeypatch.setattr(gate_hosts.socket, "gethostname", lambda: "Bench-7.shop.example")
    assert gate_hosts.own_names() == {"bench-7", "bench-7.shop.example", "bench-7.local", "localhost"}


# --- pages of others


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "null",
        f"http://{BENCH_AT}:9999",
        f"http://{BENCH_AT}",
        "",
        f"{OURS}/",
        f"http://{BENCH_AT}:8501.evil.example",
        "file://",
    ],
)
def test_a_foreign_origin_is_refused(door, origin):
    own = cookie(door, PINS.full)
    door.app.reached.clear()
    assert door.connect(origin=origin, cookie=own).status == 403
    for method in ("GET", "POST", "PUT", "DELETE"):
        assert door.ask("/_stcore/upload_file/s/f", method, origin=origin, cookie=own).status == 403
    assert not door.app.reached


def test_what_changes_something_must_say_where_it_comes_from(door):
    assert door.ask("/", "PUT", come_from=HERE, host="localhost").status == 403
    assert door.connect(come_from=HERE, host="localhost", origin=None).status == 403
    assert door.ask("/", "PUT", come_from=HERE, host="localhost", origin="http://localhost").status == 200


def test_a_page_elsewhere_may_link_here_and_take_nothing_in(door):
    near = {"come_from": HERE, "host": "localhost:8501", "sec_fetch_site": "cross-site"}
    assert door.ask("/", **near, sec_fetch_mode="navigate", sec_fetch_dest="document").status == 200
    assert door.ask("/", **near, sec_fetch_mode="navigate", sec_fetch_dest="iframe").status == 403
    assert door.ask("/media/a.jpg", **near, sec_fetch_mode="no-cors", sec_fetch_dest="image").status == 403


# --- paths


@pytest.mark.parametrize(
    "path",
    [
        "/static/../../etc/passwd",
        "/static/%2e%2e/%2e%2e/etc/passwd",
        "/media/..%2f..%2fetc/passwd",
        "//evil/share",
        "/component/x/%252e%252e/%252e%252e/etc",
        "/static/..\\..\\x",
        "/static/%5c%5cevil",
        "/a%00b",
        "/%2525252525252e",
    ],
)
def test_no_path_climbs_out(door, path):
    assert door.ask(path, come_from=HERE, host="localhost").status == 400
    assert not door.app.reached


def test_an_ordinary_path_with_odd_letters_goes_through(door):
    assert door.ask("/bow?bow=a..b&go=../x", come_from=HERE, host="localhost").status == 200
    assert door.ask("/media/50%25%20wide.png", come_from=HERE, host="localhost").status == 200


# --- keys


@pytest.mark.parametrize(
    "path",
    ["/", "/_stcore/health", "/_stcore/host-config", "/media/a.png", "/static/js/a.js", "/component/x", "/_stcore/metrics"],
)
def test_without_a_pin_nothing_is_answered(door, path):
    for method in ("GET", "HEAD", "OPTIONS", "PUT", "DELETE"):
        assert door.ask(path, method, origin=OURS).status == 401
    assert door.connect().status == 401
    assert not door.app.reached
    assert "PIN" in door.ask("/", accept="text/html").text


def test_this_computer_needs_no_pin_unless_something_passes_it_on(door):
    assert door.ask("/_stcore/health", come_from=HERE, host="localhost").status == 200
    assert door.connect(come_from=HERE, host="localhost", origin="http://localhost").status == 101
    for header in ("x_forwarded_for", "forwarded", "x_real_ip", "via"):
        assert door.ask("/_stcore/health", come_from=HERE, host="localhost", **{header: "127.0.0.1"}).status == 401


@pytest.mark.parametrize("kind", ["full", "looking"])
def test_the_key_in_an_address_becomes_a_cookie_and_goes(door, kind):
    link = door.shop.link(kind)
    assert getattr(PINS, kind) not in link
    answer = door.ask(link.removeprefix(OURS) + "&bow=b%201")
    assert answer.status == 200 and '"0;url=/?bow=b+1"' in answer.text and door.shop.keys.in_address[kind] not in answer.text
    assert re.search(r"; Path=/; Max-Age=86400; HttpOnly; SameSite=Strict$", answer["set-cookie"])
    assert not door.app.reached
    assert door.ask("/", cookie=answer.cookie).text == "through"
    assert door.connect(cookie=answer.cookie).status == 101


def test_a_typed_pin_opens_the_page_it_was_asked_on(door):
    answer = typed(door, PINS.full, "/bow?bow=7")
    assert answer.status == 200 and "url=/bow?bow=7" in answer.text
    assert typed(door, PINS.full, "/evil.example").text.count("url=/evil.example")
    assert door.ask("/", cookie=answer.cookie).status == 200


def test_wrong_pins_wait_longer_and_longer(door):
    clock = Clock()
    door.shop.tries = Tries(clock)
    waits = []
    for n in range(2000):
        answer = typed(door, f"{n:06d}")
        if answer.status == 429:
            waits.append(int(answer["retry-after"]))
            assert typed(door, PINS.full).status == 429  # and the right one does not count either meanwhile
            clock.now += waits[-1]
        else:
            assert answer.status == 401
        if len(waits) == 14:
            break
    assert waits[:8] == [2, 4, 8, 16, 32, 64, 128, 256] and max(waits) == Tries.LONGEST_S
    clock.now += Tries.LONGEST_S
    assert typed(door, PINS.full).status == 200


def test_many_addresses_together_wait_too_and_fill_no_memory():
    clock = Clock()
    tries = Tries(clock)
    for n in range(5000):
        tries.wrong(f"10.0.{n // 250}.{n % 250}")
    assert len(tries._by_address) == Tries.MOST
    assert tries.wait_s("10.9.9.9") == Tries.LONGEST_TOGETHER_S
    clock.now += Tries.LONGEST_TOGETHER_S
    assert tries.wait_s("10.9.9.9") == 0


def test_the_pin_for_looking_buys_no_guesses_at_the_other(door):
    for n in range(Tries.FREE + 1):
        typed(door, f"{n:06d}")
    door.shop.tries._by_address[PHONE_AT].until = 0.0  # waited
    assert typed(door, PINS.looking).status == 200
    assert typed(door, "999999").status == 401
    assert typed(door, PINS.full).status == 429


def test_whoever_guesses_keeps_nobody_out_who_has_the_code(door):
    """The code's key is too long to be guessed, so it opens the shop while PINs have to wait; wrong keys count not."""
    for n in range(Tries.FREE + 1):
        typed(door, f"{n:06d}")
    assert typed(door, PINS.full).status == 429
    assert door.ask("/?key=wrong").status == 401
    assert door.ask(door.shop.link("full").removeprefix(OURS)).status == 200
    assert len(door.shop.keys.in_address["full"]) >= 22  # 128 bits and more, six in a letter


def test_a_pin_that_is_no_text_is_wrong_and_breaks_nothing(door):
    assert door.ask("/", "POST", body=b"pin=%FF%FE&pin=%00", origin=OURS, **FORM).status == 401
    assert door.ask("/", "POST", body=[b"pin=" + b"3" * 1500] * 20, origin=OURS, **FORM).status == 401
    assert door.ask("/?key=%ff%00").status == 401


def test_no_cookie_can_be_made_up():
    clock = Clock()
    keys = Keys(PINS, clock)
    good = keys.cookie("looking")
    assert keys.by_cookie(good) == "looking"
    said, _, sign = good.rpartition(".")
    forged = [
        said,
        f"{said}.",
        f"{said.replace('looking', 'full')}.{sign}",
        f"{said}.{sign[:-1]}{'0' if sign[-1] != '0' else '1'}",
        "",
        ".",
        "....",
        f"{said}.\u00fc",
        Keys(PINS, clock).cookie("full"),
        f"{said}x.{sign}",
    ]
    assert [keys.by_cookie(f) for f in forged] == [None] * len(forged)
    assert len({keys.cookie("full") for _ in range(200)}) == 200 and len(sign) == 64  # 256 bits
    clock.now += 24 * 3600 + 1
    assert keys.by_cookie(good) is None
    assert Keys(Pins(None, "271828")).by_pin("314159") is None


def test_a_forged_or_broken_cookie_lets_nobody_in(door):
    for value in ("tillerlens_8501=full.0.0.0", "tillerlens_8501", "tillerlens_8501=\u00fc", "a=b; tillerlens_8501=", "x=]; ;;"):
        assert door.ask("/", cookie=value).status == 401


@pytest.mark.parametrize("pin", ["12345", "x" * 65, " 123456", "12345\n6"])
def test_a_pin_that_cannot_be_typed_is_refused(pin):
    with pytest.raises(PinError):
        check_pin(pin)


def test_pins_are_made_and_differ():
    made = [make_pins(False, None) for _ in range(200)]
    assert all(re.fullmatch(r"\d{6}", p.full) and re.fullmatch(r"\d{6}", p.looking) and p.full != p.looking for p in made)
    assert len({p.full for p in made}) > 190
    assert make_pins(True, "a word of ours") == Pins(None, "a word of ours")


def test_a_shut_shop_says_how_to_open_it():
    door = Door(Shop(Pins()))
    for answer in (door.ask("/", accept="text/html"), door.ask("/?key="), typed(door, ""), door.connect()):
        assert answer.status == 403 and "tillerlens serve --lan" in answer.text
    assert door.ask("/", come_from=HERE, host="localhost").status == 200


# --- looking only


def test_whoever_may_only_look_sends_nothing(door):
    own = cookie(door, PINS.looking)
    assert door.ask("/", cookie=own).status == 200
    door.app.reached.clear()
    for method in ("PUT", "POST", "DELETE", "PATCH"):
        answer = door.ask("/_stcore/upload_file/s/f", method, cookie=own, origin=OURS, body=b"x")
        assert answer.status == 403 and "to look only" in answer.text
    assert not door.app.reached


def test_the_page_learns_from_the_gate_alone_who_looks_at_it(door):
    """What a browser sends under the gate's own header is dropped, and nobody goes on in the session of another."""
    own = cookie(door, PINS.looking)
    door.connect(cookie=own, x_tillerlens_visit="made up", sec_websocket_protocol="streamlit, token, another-session")
    headers = door.app.reached[-1]["headers"]
    (told,) = [v.decode() for n, v in headers if n.decode() == VISIT_HEADER]
    assert re.fullmatch("[0-9a-f]{32}", told)
    assert dict(headers)[b"sec-websocket-protocol"] == b"streamlit, token"
    door.connect(cookie=cookie(door, PINS.full), sec_websocket_protocol="streamlit, token, my-session")
    assert dict(door.app.reached[-1]["headers"])[b"sec-websocket-protocol"] == b"streamlit, token, my-session"


def test_somebody_unknown_may_only_look_where_the_shop_is_open(door, monkeypatch):
    assert kind_now() == "here"  # no gate and no server
    monkeypatch.setattr("tillerlens.server.shop._now", None)  # the shop closes with the test
    open_shop(door.shop)
    assert kind_now() == "looking"
    with pytest.raises(LookingOnly, match="look only"):
        refuse_if_looking()
    open_shop(Shop(Pins()))
    assert kind_now() == "here"


def test_a_run_goes_on_as_it_began_when_its_connection_is_lost(door, monkeypatch):
    """A phone that locks while its pictures are laid down keeps its rights until the run is through."""
    from streamlit.testing.v1 import AppTest

    def page():
        import streamlit as st

        from tillerlens.server.visit import kind_now

        st.text(kind_now())

    def seen(now):
        monkeypatch.setattr(gate_visit, "visitor", lambda: now)
        return at.run().text[0].value

    at = AppTest.from_function(page)
    monkeypatch.setattr("tillerlens.server.shop._now", None)  # the shop closes with the test
    open_shop(door.shop)
    assert seen(None) == "looking"  # known to nobody
    assert seen(door.shop.come_in("full", PHONE_AT)) == "full"
    assert seen(None) == "full"
    assert seen(door.shop.come_in("looking", PHONE_AT)) == "looking"
    assert seen(None) == "looking"


# --- headers


def test_every_answer_is_guarded(door):
    own = cookie(door, PINS.full)
    for answer in (
        door.ask("/", cookie=own),
        door.ask("/"),
        door.ask("/", accept="text/html"),
        door.ask("/", host="evil.example"),
        door.ask("/a/.."),
        door.ask("/", origin="null"),
        typed(door, PINS.full),
        typed(door, "000000"),
        door.connect(host="evil.example"),
    ):
        assert "frame-ancestors 'none'" in answer["content-security-policy"]
        assert answer["x-frame-options"] == "DENY" and answer["x-content-type-options"] == "nosniff"
        assert (
            answer["referrer-policy"] in ("no-referrer", "same-origin")
            and answer["cross-origin-resource-policy"] == "same-origin"
        )
    assert door.ask("/", cookie=own)["referrer-policy"] == "no-referrer"
    assert not door.ask("/", cookie=own).all("cross-origin-opener-policy")  # browsers complain of it on plain http
    assert door.ask("/", come_from=HERE, host="localhost")["cross-origin-opener-policy"] == "same-origin"


def test_a_failure_of_the_app_is_told_in_a_sentence(door, monkeypatch, caplog):
    async def breaks(scope, receive, send):
        raise RuntimeError("inside /home/somebody")

    monkeypatch.setattr(door.gate, "_app", breaks)
    answer = door.ask("/", come_from=HERE, host="localhost")
    assert answer.status == 500 and "log" in answer.text and "inside" not in answer.text
    assert "inside /home/somebody" in caplog.text


# --- uploads


def upload(door, session, chunks, **more):
    return door.ask(f"/_stcore/upload_file/{session}/f", "PUT", HERE, "localhost", body=chunks, origin="http://localhost", **more)


def test_an_upload_is_let_through_and_forgotten_once_it_is_held(door):
    assert upload(door, "s", [b"x" * MB] * 3).status == 200
    assert dict(door.shop.uploads._coming) == {}


def test_a_body_is_cut_off_while_it_streams(door, monkeypatch):
    """No length is said, as with chunked encoding: 65 MB come through at most, in steps of one."""
    read = []

    async def reading(scope, receive, send):
        while True:
            read.append(len((await receive())["body"]))

    monkeypatch.setattr(door.gate, "_app", reading)
    answer = upload(door, "s", [b"x" * MB] * 80)
    assert answer.status == 413 and "64 MB" in answer.text and sum(read) <= 65 * MB
    assert door.shop.uploads.take_refusal("s") == gate_uploads.TOO_LARGE
    assert door.shop.uploads.take_refusal("s") is None
    assert dict(door.shop.uploads._coming) == {}


def test_a_length_that_is_too_much_is_refused_before_it_is_read(door):
    assert upload(door, "s", b"x", content_length=str(70 * MB)).status == 413
    assert not door.app.reached


def test_a_tab_and_all_together_hold_so_much_and_no_more(door, held):
    held["s"] = 195 * MB
    assert upload(door, "s", b"x", content_length=str(5 * MB)).status == 200
    answer = upload(door, "s", b"x", content_length=str(10 * MB))
    assert answer.status == 413 and "Reload the page" in answer.text
    assert upload(door, "t", b"x", content_length=str(60 * MB)).status == 200
    held["t"] = 100 * MB
    assert upload(door, "u", b"x", content_length=str(10 * MB)).status == 413
    assert door.shop.uploads.take_refusal("u") == gate_uploads.ALL_FULL
    held.clear()  # their tabs were closed
    assert upload(door, "u", b"x", content_length=str(10 * MB)).status == 200


# --- who is in


def test_the_line_says_who_else_is_in(door):
    shop = door.shop
    mine = shop.come_in("here", HERE)
    assert others_in_words(shop, mine) == "Nobody else has this shop open."
    one, again, two = shop.come_in("full", PHONE_AT), shop.come_in("full", PHONE_AT), shop.come_in("looking", "192.168.1.32")
    since = [f"{v.since:%H:%M}" for v in (mine, one, two)]
    others = f"2 others have this shop open: {PHONE_AT} since {since[1]}; 192.168.1.32 since {since[2]}, looking only."
    assert others_in_words(shop, mine) == others
    shop.leave(two)
    shop.leave(again)
    assert others_in_words(shop, one) == f"1 other has this shop open: the computer it runs on since {since[0]}."


def test_a_visit_ends_with_its_connection_and_their_number_is_bounded(door):
    own = cookie(door, PINS.full)
    assert door.connect(cookie=own).status == 101
    assert door.shop.visits() == []
    for _ in range(100):
        door.shop.come_in("full", PHONE_AT)
    assert door.connect(cookie=own).status == 503
    assert door.connect(come_from=HERE, host="localhost", origin="http://localhost").status == 101  # its owner gets in
