"""A bow's report as PDF, or as one PNG a page for a look at it; typeset without a browser, system fonts or network."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from importlib import resources
from typing import Literal

from tillerlens.core.errors import TillerLensError
from tillerlens.report.content import Report

Paper = Literal["letter", "a4"]
_PAPERS = {"letter": "us-letter", "a4": "a4"}


class ReportError(TillerLensError):
    """A report cannot be made."""

    code = "report"


def render_pdf(content: Report, paper: Paper = "letter", png_dpi: float | None = None) -> list[bytes]:
    """The content of ``story.lay_out`` as [PDF], or as one PNG a page at ``png_dpi``. Raises ReportError."""
    return typeset("bow.typ", asdict(content), paper, png_dpi)


def typeset(template: str, data: Mapping[str, object], paper: Paper, png_dpi: float | None = None) -> list[bytes]:
    """One of the report's templates with its data as [PDF], or as one PNG a page at ``png_dpi``. Raises ReportError."""
    import typst

    if paper not in _PAPERS:
        raise ReportError(f"The paper '{paper}' is not known.", "Choose letter or a4.")
    package = resources.files("tillerlens")
    # The package's own folders only: no system fonts, and no file beside the template can be read from it.
    with resources.as_file(package / "fonts") as fonts, resources.as_file(package / "report") as root:
        pages = typst.compile(
            str(root / template),
            root=str(root),
            font_paths=[str(fonts)],
            ignore_system_fonts=True,
            sys_inputs={"data": json.dumps({**data, "paper": _PAPERS[paper]}, default=list)},  # bytes as numbers
            format="pdf" if png_dpi is None else "png",
            ppi=png_dpi,
        )
    return pages if isinstance(pages, list) else [pages]
