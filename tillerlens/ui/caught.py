"""The net under every page: what nobody foresaw is logged under a number and said in words; no traceback reaches the screen.

Pages run inside ``net``. The framework handles what a fragment or a widget's callback raises before ``net`` would see it, so
those carry a net of their own: use ``fragment`` in place of ``st.fragment``, and put ``callback`` around what a widget calls.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import ParamSpec, cast
from uuid import uuid4

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit.runtime.scriptrunner import RerunException, StopException

from tillerlens.errors import TillerLensError

MARK = "unforeseen"  # begins the box's key, and so its class on the page
WHAT = "Something went wrong here that TillerLens did not expect."
_LATER = "unforeseen_in_callback"
_LOG = logging.getLogger("tillerlens.ui")
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
        _box(top, number)
    try:
        yield
    except _PASS:
        raise
    except TillerLensError as error:  # what the page did not say nearer to its cause
        from tillerlens.ui.place import say_error

        with top.container(key=f"told_{uuid4().hex[:8]}"):
            say_error(error)
    except BaseException as error:
        _box(top, logged(error, where))


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


def by_the_framework(error: Exception) -> bool:
    """For ``st.App(on_script_error=...)``: what the framework caught before any net of ours could, say on reading a widget."""
    _box(st.container(), logged(error, "the framework"))
    return True  # its own box stays away


def logged(error: BaseException, where: str) -> str:
    """Log what nobody foresaw, with its traceback; the number that it can be found by."""
    number = f"{secrets.randbelow(1000):03}-{secrets.randbelow(1000):03}"
    _LOG.error("%s: unforeseen in %r at %r", number, where, dict(st.query_params.to_dict()), exc_info=error)
    return number


def _box(place: DeltaGenerator, number: str) -> None:
    with place.container(key=f"told_{number}"), st.container(key=f"{MARK}_{number}"):
        st.error(
            f"**{WHAT}** Nothing on the shelf, the timeline or the bench is lost; only what you were just typing may be. "
            f"Load the page again. If this comes back, tell whoever looks after TillerLens the number **{number}**: "
            "the log has the details under it."
        )
        st.button("Load the page again", key=f"again_{number}")


def log_to_the_server() -> None:
    """Write what the package logs to the server's log with time and level, unless somebody has set up logging already."""
    package = logging.getLogger("tillerlens")
    if package.handlers or logging.getLogger().handlers:
        return
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    package.addHandler(handler)
