"""The report on paper: whole, the same every time, and nothing typed by a person read as markup."""

import shutil
import subprocess

import pytest

from tests.support.stories import HOSTILE, story
from tillerlens.history.story import Story
from tillerlens.report.pdf import ReportError, render_pdf
from tillerlens.report.story import lay_out


def test_the_pdf_is_the_same_every_time():
    content = lay_out(story())
    (once,), (again,) = render_pdf(content), render_pdf(content)
    assert once.startswith(b"%PDF") and once == again


def test_typed_text_comes_out_as_text(tmp_path):
    """``#panic()`` would stop the typesetter and ``#include`` would read a file, if either were read as markup."""
    (pdf,) = render_pdf(lay_out(story(name=HOSTILE)), "a4")
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is missing; Debian's package poppler-utils has it")
    (tmp_path / "r.pdf").write_bytes(pdf)
    text = subprocess.run(["pdftotext", str(tmp_path / "r.pdf"), "-"], capture_output=True, text=True, check=True).stdout
    joined = " ".join(text.split())
    assert '<script>alert(1)</script> & "x" #panic() $x$ *b* [a](b) #include' in joined
    assert "root:" not in joined and "Take care" in joined and "Set map" in joined


def test_only_shipped_fonts_are_used(tmp_path):
    if shutil.which("pdffonts") is None:
        pytest.skip("pdffonts is missing; Debian's package poppler-utils has it")
    (tmp_path / "r.pdf").write_bytes(render_pdf(lay_out(story()))[0])
    listed = subprocess.run(["pdffonts", str(tmp_path / "r.pdf")], capture_output=True, text=True, check=True).stdout
    names = [line.split()[0] for line in listed.splitlines()[2:]]
    assert names and all("DejaVuSans" in name for name in names)


def test_pages_can_be_looked_at():
    pages = render_pdf(lay_out(story()), png_dpi=40)
    assert len(pages) >= 3 and all(page.startswith(b"\x89PNG") for page in pages)


def test_an_empty_bow_and_another_paper():
    assert render_pdf(lay_out(Story("Wren")), "letter")[0].startswith(b"%PDF")
    with pytest.raises(ReportError, match="not known"):
        render_pdf(lay_out(Story("Wren")), "a9")
