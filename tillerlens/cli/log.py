"""The command line's log: a file for what goes wrong inside, so that no traceback stands among the sentences for a bowyer."""

from __future__ import annotations

import logging
import os
import sys
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path

import typer
from platformdirs import user_log_path

LOG_VARIABLE = "TILLERLENS_LOG"
MOST_BYTES = 1_000_000  # and one older file as large


def log_place() -> Path:
    """The file that is logged to: TILLERLENS_LOG, else where this system has its logs."""
    given = os.environ.get(LOG_VARIABLE)
    return Path(given) if given else user_log_path("tillerlens", appauthor=False) / "tillerlens.log"


def log_to_file() -> None:
    """Have warnings and faults logged to ``log_place`` for the rest of this process. The file is made with its first line."""
    log = logging.getLogger("tillerlens")
    if not any(isinstance(handler, _ToFile) for handler in log.handlers):
        log.addHandler(_ToFile(log_place()))


class _ToFile(RotatingFileHandler):
    def __init__(self, place: Path) -> None:
        super().__init__(place, maxBytes=MOST_BYTES, backupCount=1, encoding="utf-8", errors="backslashreplace", delay=True)
        self.setLevel(logging.WARNING)
        self.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))

    def _open(self) -> TextIOWrapper:
        Path(self.baseFilename).parent.mkdir(parents=True, exist_ok=True)
        return super()._open()

    def handleError(self, record: logging.LogRecord) -> None:
        error = sys.exc_info()[1]
        cause = (getattr(error, "strerror", None) or str(error)).lower()
        typer.echo(f"The log {self.baseFilename} cannot be written: {cause}. Name another file in {LOG_VARIABLE}.", err=True)
