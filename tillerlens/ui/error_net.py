"""The net under every page: what nobody foresaw is logged under a number and said in words; no traceback reaches the screen.

Pages run inside ``net``. The framework handles what a fragment or a widget's callback raises before ``net`` would see it, so
those carry a net of their own: use ``fragment`` in place of ``st.fragment``, and put ``callback`` around what a widget calls.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import ParamSpec, cast
from uuid import uuid4

import streamlit as st
from streamlit.runtime.scriptrunner import RerunException, StopException

from tillerlens.core.errors import TillerLensError
from tillerlens.server.error_box import logged, say_unforeseen

_LATER = "unforeseen_in_callback"
# Control flow, not trouble. Everything else is caught, BaseException too: a panic in a compiled library (typst, orjson) is one.
_PASS = (StopException, RerunException, KeyboardInterrupt, GeneratorExit)

P = ParamSpec("P")


@contextmanager
def net(where: str) -> Iterator[None]:
    """Run a page: what it raises is said at its top, above whatever it has shown by then.

    Parameters
    ----------
    where : str
        The page's name, for the log.
    """
    top = st.container()
    number = st.session_state.pop(_LATER, None)
    if number is not None:
        say_unforeseen(top, number)
    try:
        yield
    except _PASS:
        raise
    except TillerLensError as error:  # what the page did not say nearer to its cause
        from tillerlens.ui.context import say_error

        with top.container(key=f"told_{uuid4().hex[:8]}"):
            say_error(error)
    except BaseException as error:
        say_unforeseen(top, logged(error, where))


def fragment(work: Callable[P, None]) -> Callable[P, None]:
    """``st.fragment`` with a net in it: what it raises is said in its place, and the page around it stays."""

    @wraps(work)
    def caught(*args: P.args, **kwargs: P.kwargs) -> None:
        with net(work.__name__.strip("_")):
            work(*args, **kwargs)

    return cast(Callable[P, None], st.fragment(caught))


def callback(work: Callable[P, None]) -> Callable[P, None]:
    """Put a net in what a widget calls. It runs before the page does, so what it raises is said at the top of that page."""

    @wraps(work)
    def caught(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            work(*args, **kwargs)
        except _PASS:
            raise
        except BaseException as error:
            st.session_state[_LATER] = logged(error, work.__name__.strip("_"))

    return caught


def log_to_the_server() -> None:
    """Write what the package logs to the server's log with time and level, unless somebody has set up logging already."""
    package = logging.getLogger("tillerlens")
    if package.handlers or logging.getLogger().handlers:
        return
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    package.addHandler(handler)
