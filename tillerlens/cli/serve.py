"""The command that starts the app: for this computer alone, or for the network with a PIN and a code for the phone's camera."""

from __future__ import annotations

import io
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from tillerlens.cli.shared import UNUSABLE, refusing
from tillerlens.core.errors import TillerLensError

if TYPE_CHECKING:
    from tillerlens.server import Shop

_ALONE, _ALL = "127.0.0.1", "0.0.0.0"


def serve(
    lan: Annotated[bool, typer.Option("--lan", help="Let phones and others on this network in who have the PIN.")] = False,
    look: Annotated[bool, typer.Option("--look", help="With --lan: they may look at everything and change nothing.")] = False,
    pin: Annotated[str | None, typer.Option(help="With --lan: the PIN, 6 to 64 characters. Else one is made up.")] = None,
    host: Annotated[
        list[str] | None, typer.Option(help="Another name or address that this computer is called by. May be repeated.")
    ] = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")] = 8501,
    open_browser: Annotated[bool, typer.Option("--open/--no-open", help="Open a browser here.")] = True,
) -> None:
    """Start the app. Stop it with Ctrl-C."""
    if (look or pin is not None) and not lan:
        _refuse("--look and --pin go with --lan; without it nobody but this computer gets in.")
    if _taken(port):
        _refuse(f"Port {port} is taken. Choose another, like --port {port + 1 if port < 65535 else port - 1}.")
    with refusing():
        shop = make_shop(lan, look, pin, host or [], port)
    if lan:
        _say_address(shop)
    try:
        _run(shop, settings(lan, port), open_browser and not lan)
    except KeyboardInterrupt:
        raise typer.Exit(0) from None


def make_shop(lan: bool, look: bool, pin: str | None, names: list[str], port: int) -> Shop:
    """Make what the gate decides by. Raises PinError or HostNameError when the PIN or a name cannot be used."""
    from tillerlens.server import Pins, Shop
    from tillerlens.server.hosts import check_name
    from tillerlens.server.keys import make_pins

    known = [(name, check_name(name)) for name in names]
    for name, checked in known:
        if checked is None:
            raise HostNameError(f"{name!r} is not a host name.", "Give a name like bench.example, without http:// and port.")
    pins = make_pins(look, pin) if lan else Pins()
    address = f"http://{lan_address()}:{port}" if lan else None
    return Shop(pins, [checked for _, checked in known if checked is not None], address, port)


Options = dict[str, str | int | bool | list[str]]


class HostNameError(TillerLensError):
    """A name given with --host is none."""

    code = "host_name"


def settings(lan: bool, port: int) -> Options:
    """The server's settings; every one is given, since its own file is read in the folder it is started from only."""
    from tillerlens.server.uploads import MOST_MB

    return {
        "server.address": _ALL if lan else _ALONE,
        "server.port": port,
        "server.headless": True,  # the browser is opened by us
        "server.maxUploadSize": MOST_MB,
        "server.maxMessageSize": 200,
        "server.showEmailPrompt": False,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": False,
        "client.showErrorDetails": "type",
        "client.toolbarMode": "minimal",
        "client.allowedOrigins": [],
        "logger.enableRich": False,  # so that faults go to the log, and in plain text
        "logger.hideWelcomeMessage": True,  # it would ask a stranger's server for this network's address
        **_THEME,
    }


_THEME = {
    "theme.baseRadius": "4px",
    "theme.light.backgroundColor": "#faf8f2",
    "theme.light.secondaryBackgroundColor": "#efeadc",
    "theme.light.textColor": "#16181c",
    "theme.light.primaryColor": "#0b5a8a",
    "theme.light.borderColor": "#cfc7b1",
    "theme.dark.backgroundColor": "#1c1b18",
    "theme.dark.secondaryBackgroundColor": "#2b2924",
    "theme.dark.textColor": "#f1ede2",
    "theme.dark.primaryColor": "#2d7ab0",
    "theme.dark.borderColor": "#575246",
}


def _run(shop: Shop, options: Options, open_browser: bool) -> None:
    """Serve in this very process, so that nothing is left listening when it ends, however it ends."""
    import streamlit as st

    from tillerlens.server.error_box import by_the_framework
    from tillerlens.server.start import behind, opening

    app = st.App(
        Path(__file__).parents[1] / "ui" / "main.py",
        middleware=behind(shop),
        lifespan=opening(lambda: open_browser),
        on_script_error=by_the_framework,
    )
    typer.echo(f"On this computer: http://localhost:{options['server.port']}    Stop it with Ctrl-C.")
    app.run(config=options)


def lan_address() -> str:
    """This computer's address in its network; nothing is sent to find it. The loop's own where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): routed nowhere
            return str(probe.getsockname()[0])
        except OSError:
            return _ALONE


def _say_address(shop: Shop) -> None:
    import segno

    pins = shop.keys.pins
    link = shop.link("full") or shop.link("looking")
    assert link is not None and shop.address is not None
    drawn = io.StringIO()
    segno.make(link, error="m").terminal(out=drawn, compact=True)
    typer.echo(f"{drawn.getvalue()}\nPoint the phone's camera at the code, or type {shop.address} and the PIN.\n")
    if pins.full is not None:
        typer.echo(f"    PIN: {pins.full}")
    typer.echo(f"    PIN for looking only: {pins.looking}\n")
    if shop.address.startswith(f"http://{_ALONE}"):
        typer.echo("This computer is in no network now, so no phone will find it.", err=True)
    from tillerlens.server.answers import WARNING

    typer.echo(WARNING, err=True)


def _refuse(text: str) -> NoReturn:
    typer.echo(text, err=True)
    raise typer.Exit(UNUSABLE)


def _taken(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((_ALONE, port)) == 0
