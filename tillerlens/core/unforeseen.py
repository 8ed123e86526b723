"""The net under every picture: what nobody foresaw becomes a refusal of that one picture, and is logged and counted.

Everything that can be foreseen has its own error and sentence; a fault that reaches the net is a fault of the program. The
count lets tests hold it to that.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from tillerlens.core.errors import TillerLensError

_LOG = logging.getLogger("tillerlens.unforeseen")
_LOCK = threading.Lock()
_caught = 0


class Unforeseen(TillerLensError):
    """The program failed on this picture. ``fields``: ``fault`` is the exception's type, ``name`` the picture's."""

    code = "unforeseen"


@contextmanager
def net(doing: str, name: str) -> Iterator[None]:
    """Turn any exception of the block that is not a TillerLensError into ``Unforeseen``.

    Parameters
    ----------
    doing : str
        What is done to the picture, as in "reading", "measuring" or "drawing".
    name : str
        The picture's name, for people.

    Raises
    ------
    Unforeseen
        In place of every other ``Exception``, which is logged with its traceback and counted.
    """
    try:
        yield
    except TillerLensError:
        raise
    except Exception as error:
        _count()
        _LOG.exception("%s %r failed", doing, name)
        raise _in_words(doing, name, error) from error


def caught() -> int:
    """How many faults have reached the net since this process began, in all threads together."""
    with _LOCK:
        return _caught


def _count() -> None:
    global _caught
    with _LOCK:
        _caught += 1


def _in_words(doing: str, name: str, error: Exception) -> Unforeseen:
    fault = type(error).__name__
    if isinstance(error, MemoryError) or (fault == "error" and "insufficient memory" in str(error).lower()):  # cv2.error
        return Unforeseen(
            f"{doing.capitalize()} {name} took more memory than this computer has free.",
            "The picture is as it was. Close other programs and try again, or save the picture at half size.",
            fault=fault,
            name=name,
        )
    return Unforeseen(
        f"{doing.capitalize()} {name} failed because of a fault in TillerLens ({fault}).",
        "The picture and the record are as they were. Go on with the others, or try another picture of the bow; the log has the "
        "details for a report.",
        fault=fault,
        name=name,
    )
