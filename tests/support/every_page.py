"""Opening pages of the app one after the other in one browser, fast, and hearing of everything that goes wrong on them."""

import re
from dataclasses import dataclass, field
from typing import Any

from tests.support.in_browser import ANSWER_MS

MOST_LATE = 3  # pages that never came to rest, after which no other is opened: each costs ANSWER_MS, and hundreds follow
# What may stand in the server's log: how it says that it starts and stops.
# What the framework itself says of a browser that left: a traceback, and nothing else, down to these words.
_DOWN = r"[ \t].*|Traceback .*|During handling .*|starlette\.websockets\.WebSocketDisconnected: .*|"
_END = r'starlette\.websockets\.WebSocketDisconnected: Cannot call "send" once .*\n'
LEFT = re.compile(rf"^Exception in ASGI application\n(?:(?:{_DOWN})\n)*?{_END}", re.MULTILINE)
PROBE = re.compile(r"/\w+/_stcore/(health|host-config)$")  # the framework looks for itself below a page's address first
GREETING = re.compile(r"Uvicorn server started|You can now view|URL: |Stopping\.\.\.|^\s*$")


# A picture that the page before showed: the server drops it with its page, and a busy browser may ask for it after that. One that
# the page at rest shows and has not got is told as broken.
PICTURE = re.compile(r"/media/[0-9a-f]+\.(jpg|png|svg|webp)$")


@dataclass
class Watched:
    """A page of the browser and what it complained of since it was last asked."""

    page: Any
    trouble: list = field(default_factory=list)
    late: list = field(default_factory=list)

    def __post_init__(self):
        p = self.page
        p.on("pageerror", lambda error: self.trouble.append(f"page error: {error}"))
        p.on("console", lambda m: self._hear(m.type == "error", f"console: {m.text}", m.location["url"]))
        p.on("response", lambda r: self._hear(r.status >= 400, f"{r.status}: {r.url}", r.url))
        p.on("requestfailed", lambda r: self.trouble.append(f"failed: {r.url} {r.failure}"))

    def _hear(self, bad, what, url):
        if bad and not PROBE.search(url) and not ("404" in what and PICTURE.search(url)):
            self.trouble.append(what)

    def load(self, url):
        """The page anew, with a session of its own; what stands on it once it is at rest."""
        self.page.goto(url)
        return self._rest(0)

    def go(self, path):
        """Another address of the app in the same session."""
        return self.after(lambda: self.page.evaluate("path => tillerTest.go(path)", path))

    def after(self, act, runs=True):
        """Do something; what stands on the page once it is at rest. runs: whether the server is asked for anything."""
        before = self.page.evaluate("tillerTest.runs.begun")
        act()
        return self._rest(before if runs else before - 1)

    def _rest(self, before):
        return self.page.evaluate("([before, most]) => tillerTest.rest(before, most)", [before, ANSWER_MS])

    def faults(self, seen, expected=None):
        """Every fault of what was seen, in a line each. expected: what the errors that belong there say, a regular expression."""
        out, self.trouble[:] = list(self.trouble), []
        if seen["late"]:
            out.append(f"never came to rest: {seen['late']}")
            self.late.append(f"{self.page.url}, {seen['width']} px: {seen['late']}")
            assert len(self.late) < MOST_LATE, "\n".join(["pages that never came to rest:", *self.late])
        out += [f"the framework's own box: {text}" for text in seen["exceptions"]]
        out += [f"unforeseen: {text}" for text in seen["unforeseen"]]
        out += [f"error: {text}" for text in seen["errors"] if not expected or not re.search(expected, text, re.DOTALL)]
        if expected and not seen["errors"]:
            out.append(f"not said: {expected}")
        if seen["widest"] > seen["width"]:
            out.append(f"scrolls sideways: {seen['widest']} of {seen['width']} px, {seen['over']}")
        if not seen["titles"]:
            out.append("no title")
        if seen["words"] < 8:
            out.append(f"says next to nothing: {seen['words']} words")
        return out + [f"picture not shown: {src}" for src in seen["broken"]]


def log_faults(text):
    """Lines of the server's log that are neither its greeting nor what the framework itself says of a browser that left."""
    return [line for line in LEFT.sub("", text).splitlines() if not GREETING.search(line)]
