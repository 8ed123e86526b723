"""Who is looking at the page that is being made, as the gate has let them in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from tillerlens.record import LookingOnly as LookingOnly
from tillerlens.server.keys import Access
from tillerlens.server.shop import Shop, Visit, shop_now

LOOKING, ASK = "You are here to look only, so nothing was changed.", "Ask whoever runs the shop for the other PIN."
_KIND = "gate_kind"
VISIT_HEADER = "x-tillerlens-visit"  # set by the gate on the live connection; whatever a browser sends under it is dropped


def visitor() -> Visit | None:
    """The visit that this page is made for; None when the gate knows none."""
    shop = shop_now()
    if shop is None:
        return None
    import streamlit as st

    return shop.visit(st.context.headers.get(VISIT_HEADER, ""))


def kind_now() -> Access:
    """How far the person before this page may go. Somebody the gate does not know may only look.

    A run whose connection is lost meanwhile, as when a phone locks, goes on with the rights it began with.
    """
    shop = shop_now()
    import streamlit as st
    from streamlit.runtime.scriptrunner import get_script_run_ctx

    if shop is None:
        return "here" if _for_this_computer_only() else "looking"
    visit = visitor()
    known: Access = "looking" if shop.open_to_others else "here"  # a shut gate lets nobody else come as far as a page
    if get_script_run_ctx(suppress_warning=True) is None:
        return known
    if visit is not None:
        st.session_state[_KIND] = visit.kind  # the session's own, where no browser can write
    return cast(Access, st.session_state.get(_KIND, known))


def looking_only() -> bool:
    return kind_now() == "looking"


def refuse_if_looking() -> None:
    """Raise LookingOnly when the person before this page may only look."""
    if looking_only():
        raise LookingOnly(LOOKING, ASK)


def others_in_words(shop: Shop, mine: Visit | None) -> str:
    """Who else has the shop open, in a line."""
    groups: dict[tuple[str, Access], Visit] = {}
    for visit in shop.visits():
        if mine is None or (visit.address, visit.kind) != (mine.address, mine.kind):
            groups.setdefault((visit.address, visit.kind), visit)
    if not groups:
        return "Nobody else has this shop open."
    return f"{_count(list(groups.values()))} this shop open: {'; '.join(_one(v) for v in groups.values())}."


def _count(visits: Sequence[Visit]) -> str:
    return "1 other has" if len(visits) == 1 else f"{len(visits)} others have"


def _one(visit: Visit) -> str:
    who = "the computer it runs on" if visit.kind == "here" else visit.address
    return f"{who} since {visit.since:%H:%M}{', looking only' if visit.kind == 'looking' else ''}"


def _for_this_computer_only() -> bool:
    """Where no gate stands: the app was started by itself, or a page runs without any server."""
    from streamlit import get_option, runtime

    from tillerlens.server.hosts import is_loopback

    served = runtime.exists() and isinstance(runtime.get_instance(), runtime.Runtime)
    return not served or get_option("server.address") == "localhost" or is_loopback(get_option("server.address"))
