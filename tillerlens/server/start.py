"""What both ways to start the app share: the gate before it, and a browser opened on it."""

from __future__ import annotations

import asyncio
import webbrowser
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from starlette.middleware import Middleware

from tillerlens.server.gate import Gate
from tillerlens.server.keys import Pins
from tillerlens.server.shop import Shop, open_shop

_LISTENING_S = 0.5  # the server listens a moment after it has started


def behind(shop: Shop) -> list[Middleware]:
    """Open ``shop`` in this process, and give the gate for ``st.App``'s ``middleware``."""
    return [Middleware(Gate, shop=open_shop(shop))]


def this_computer_only() -> list[Middleware]:
    """The gate of an app that lets nobody in but the computer it runs on."""
    return behind(Shop(Pins()))


def opening(wanted: Callable[[], bool] | None = None) -> Any:
    """A lifespan for ``st.App`` that opens a browser on it. wanted: whether to; else what the server's settings say."""

    @asynccontextmanager
    async def lifespan(_: object) -> AsyncIterator[None]:
        import streamlit as st

        show = not st.get_option("server.headless") if wanted is None else wanted()
        address = f"http://localhost:{st.get_option('server.port')}"
        task = asyncio.create_task(_open_soon(address)) if show else None
        try:
            yield
        finally:
            if task is not None:
                task.cancel()

    return lifespan


async def _open_soon(address: str) -> None:
    await asyncio.sleep(_LISTENING_S)
    await asyncio.to_thread(webbrowser.open, address)
