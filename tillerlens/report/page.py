"""A bow's report as one HTML page that needs nothing else: pictures and figures inside, no script, no network."""

from __future__ import annotations

import base64
from functools import cache
from importlib import resources

from tillerlens.report.content import Report


def render_page(content: Report) -> str:
    """The content of ``story.lay_out`` as HTML. Everything typed by people is escaped; only our own figures are not, and
    their words are escaped where they are drawn."""
    from jinja2 import Environment, StrictUndefined

    source = resources.files("tillerlens").joinpath("report", "bow.html.j2").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode()
    return environment.from_string(source).render(**vars(content), fonts=_fonts())


@cache
def _fonts() -> tuple[tuple[int, str], ...]:
    """Weight and base64 of the shipped fonts, carried along so that the page looks alike on every machine."""
    place = resources.files("tillerlens").joinpath("fonts")
    named = ((400, "DejaVuSans.ttf"), (700, "DejaVuSans-Bold.ttf"))
    return tuple((weight, base64.b64encode(place.joinpath(name).read_bytes()).decode()) for weight, name in named)
