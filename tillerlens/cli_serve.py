"""The command that starts the app: for this computer alone, or for the network with a code for the phone's camera."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import typer

ADDRESS_VARIABLE = "TILLERLENS_LAN_ADDRESS"  # tells the app where the network finds it
MOST_MB = 64  # of one picture
WARNING = (
    "Everyone on this network can see, change and remove everything in the shop. Open it only in a network whose people you "
    "know, and stop it when you are done."
)
_ALONE, _ALL = "127.0.0.1", "0.0.0.0"


def add_serve(app: typer.Typer) -> None:
    """Hang the command on the program's command line."""
    app.command("serve")(serve)


def serve(
    lan: Annotated[bool, typer.Option("--lan", help="Let phones and others on this network in, too.")] = False,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")] = 8501,
    open_browser: Annotated[bool, typer.Option("--open/--no-open", help="Open a browser here.")] = True,
) -> None:
    """Start the app. Stop it with Ctrl-C."""
    if _taken(port):
        typer.echo(f"Port {port} is taken. Choose another, like --port {port + 1 if port < 65535 else port - 1}.", err=True)
        raise typer.Exit(2)
    environment = {k: v for k, v in os.environ.items() if k != ADDRESS_VARIABLE}
    if lan:
        address = f"http://{lan_address()}:{port}"
        environment[ADDRESS_VARIABLE] = address
        _say_address(address)
    try:
        done = subprocess.run(command(lan, port, open_browser and not lan), env=environment, check=False)
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    raise typer.Exit(done.returncode)


def command(lan: bool, port: int, open_browser: bool) -> list[str]:
    """The server's command line; every setting is given, since its own file is read in the folder it is started from only."""
    options = {
        "server.address": _ALL if lan else _ALONE,
        "server.port": port,
        "server.headless": not open_browser,
        "server.maxUploadSize": MOST_MB,
        "server.maxMessageSize": 200,
        "server.showEmailPrompt": False,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": False,
        "client.showErrorDetails": "type",
        "client.toolbarMode": "minimal",
        **_THEME,
    }
    said = [f"--{name}={str(value).lower() if isinstance(value, bool) else value}" for name, value in options.items()]
    return [sys.executable, "-m", "streamlit", "run", str(Path(__file__).parent / "ui" / "main.py"), *said]


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


def lan_address() -> str:
    """This computer's address in its network; nothing is sent to find it. The loop's own where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): routed nowhere
            return str(probe.getsockname()[0])
        except OSError:
            return _ALONE


def _say_address(address: str) -> None:
    import io

    import segno

    drawn = io.StringIO()
    segno.make(address, error="m").terminal(out=drawn, compact=True)
    typer.echo(f"{drawn.getvalue()}\nOn the phone: {address}\n")
    if address.startswith(f"http://{_ALONE}"):
        typer.echo("This computer is in no network now, so no phone will find it.", err=True)
    typer.echo(WARNING, err=True)


def _taken(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((_ALONE, port)) == 0
