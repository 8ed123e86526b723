"""How many bytes of handed-over files the server holds in memory, for one tab and for all together."""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from collections.abc import Callable, Mapping

MB = 1024 * 1024
MOST_MB = 64  # of one file; the server's own limit is the same
MOST_OF_TAB = 200 * MB
MOST_TOGETHER = 300 * MB
_AROUND = MB  # what a form's lines around a file may add
_MOST_REMEMBERED = 100

TOO_LARGE = f"That file is larger than {MOST_MB} MB, so it was not taken. Use the phone's own picture file."
TAB_FULL = (
    f"This tab already holds {MOST_OF_TAB // MB} MB of files, so the last one was not taken. Reload the page and add it again; "
    "what is on the bench stays there."
)
ALL_FULL = (
    f"The shop already holds {MOST_TOGETHER // MB} MB of added files, so the last one was not taken. Close tabs that nobody "
    "uses, wait two minutes, and add it again."
)


def held_by_app() -> dict[str, int]:
    """What the app holds now, in bytes by session."""
    from streamlit import runtime

    if not runtime.exists():
        return {}
    storage = runtime.get_instance().uploaded_file_mgr.file_storage  # type: ignore[attr-defined]  # of the only kind there is
    return {session: sum(len(file.data) for file in list(files.values())) for session, files in list(storage.items())}


class Uploads:
    """Counts what is held and what is on its way, and remembers what was refused until the page has said so."""

    def __init__(self, held: Callable[[], Mapping[str, int]] = held_by_app) -> None:
        self._held = held
        self._coming: defaultdict[str, int] = defaultdict(int)
        self._refused: OrderedDict[str, str] = OrderedDict()

    def room(self, session: str, more: int, already: int = 0) -> str | None:
        """Why ``more`` bytes cannot be taken from this visitor, in a sentence; None when they can.

        already: bytes of the same file that have come.
        """
        held = self._held()
        if already + more > MOST_MB * MB + _AROUND:
            return TOO_LARGE
        if held.get(session, 0) + self._coming[session] + more > MOST_OF_TAB + _AROUND:
            return TAB_FULL
        if sum(held.values()) + sum(self._coming.values()) + more > MOST_TOGETHER + _AROUND:
            return ALL_FULL
        return None

    def coming(self, session: str, more: int) -> None:
        self._coming[session] += more
        if not self._coming[session]:
            del self._coming[session]

    def refuse(self, session: str, why: str) -> None:
        self._refused.pop(session, None)
        self._refused[session] = why
        while len(self._refused) > _MOST_REMEMBERED:
            self._refused.popitem(last=False)

    def take_refusal(self, session: str) -> str | None:
        """What was refused to this visitor since it was last asked for."""
        return self._refused.pop(session, None)
