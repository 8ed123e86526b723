"""The net under every picture: one that fails in a way nobody foresaw is refused with a sentence, and the others go on."""

from __future__ import annotations

import logging
import threading

import pytest

from tillerlens.core.unforeseen import Unforeseen, caught, net
from tillerlens.errors import PhotoError

pytestmark = pytest.mark.reaches_the_net


def test_any_fault_becomes_a_refusal_that_is_logged_with_its_traceback(caplog):
    with caplog.at_level(logging.ERROR), pytest.raises(Unforeseen) as told, net("measuring", "bow.jpg"):
        raise ZeroDivisionError("one by nought")
    assert told.value.reason.code == "unforeseen"
    assert told.value.text.startswith("Measuring bow.jpg failed") and "as they were" in told.value.remedy
    assert "one by nought" in caplog.text and "Traceback" in caplog.text
    assert "Traceback" not in str(told.value)


def test_memory_that_runs_out_is_called_by_its_name():
    with pytest.raises(Unforeseen, match="more memory than this computer has free"), net("reading", "bow.jpg"):
        raise MemoryError


def test_what_was_foreseen_and_what_ends_the_program_pass_through():
    before = caught()
    with pytest.raises(PhotoError), net("reading", "bow.jpg"):
        raise PhotoError("It is empty.", "Copy it again.")
    with pytest.raises(KeyboardInterrupt), net("reading", "bow.jpg"):
        raise KeyboardInterrupt
    assert caught() == before


def test_faults_in_threads_are_all_counted():
    before = caught()

    def fail():
        for _ in range(200):
            with pytest.raises(Unforeseen), net("drawing", "bow.jpg"):
                raise ValueError

    logging.disable(logging.CRITICAL)
    try:
        threads = [threading.Thread(target=fail) for _ in range(4)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
    finally:
        logging.disable(logging.NOTSET)
    assert caught() - before == 800
