"""The report as a page: one file that asks for nothing, and HTML in notes comes out as text."""

import re
from html.parser import HTMLParser

from tests.support.stories import HOSTILE, story
from tillerlens.history.story import Story
from tillerlens.report.page import render_page
from tillerlens.report.story import lay_out


class Reader(HTMLParser):
    def __init__(self, page):
        super().__init__()
        self.tags, self.text, self.addresses = [], "", []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [v for k, v in attrs if k in ("src", "href", "srcset", "action", "data")]
        assert not any(k.startswith("on") for k, _ in attrs)

    def handle_data(self, data):
        self.text += data


def test_html_in_notes_is_text_everywhere():
    read = Reader(render_page(lay_out(story(name=HOSTILE))))
    assert "script" not in read.tags and "iframe" not in read.tags
    assert read.text.count(HOSTILE) >= 6  # name (twice), notes, a stage's, an event's and a finding's notes


def test_the_page_asks_for_nothing():
    page = render_page(lay_out(story()))
    read = Reader(page)
    assert read.addresses and all(a.startswith("data:image/") for a in read.addresses)
    assert all(u.startswith("data:font/ttf;base64,") for u in re.findall(r"url\(([^)]*)\)", page))
    assert set(re.findall(r"https?://[^\s\"'<]+", page)) == {"http://www.w3.org/2000/svg"}  # a name, never fetched
    assert "default-src 'none'" in page


def test_pins_figures_and_tables_are_in_it():
    page = render_page(lay_out(story()))
    assert 'class="pin" style="left:25.00%;top:50.00%">1<' in page
    assert page.count("<svg") >= 5 and "upper - lower" in page


def test_an_empty_bow_has_a_page():
    assert "Wren" in render_page(lay_out(Story("Wren")))
