"""A scraping plan on one printed page for the bench."""

from __future__ import annotations

from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.scraping import Plan
from tillerlens.report.charts.plan import plan_figure
from tillerlens.report.pdf import Paper, typeset
from tillerlens.report.words.plan import plan_in_words
from tillerlens.report.words.plan_tables import plan_tables
from tillerlens.report.words.quantities import Units

MOST_ROWS = 18  # of a table, that the page takes beside all else
PAGES_TRIED_MM = {"cm": (50.0, 100.0), "in": (2 * MM_PER_INCH, 4 * MM_PER_INCH)}


def plan_pdf(plan: Plan, title: str, units: Units | None = None, paper: Paper = "letter", png_dpi: float | None = None) -> bytes:
    """The plan as a PDF of one page, or as PNG at ``png_dpi``: words, picture and both limbs' tables. Long limbs are told at
    every other station. Raises ReportError.
    """
    units = units or Units()
    said = plan_in_words(plan, units)
    fine, coarse = PAGES_TRIED_MM["cm" if units.length == "cm" else "in"]
    longest = max(float(n.from_nock_mm[-1]) for n in plan.limbs)
    tables = plan_tables(plan, units, fine if longest / fine <= MOST_ROWS else coarse)
    data = {
        "title": title,
        "subtitle": "Scraping plan. Places are counted from the nock.",
        "first": [line.text for line in said.first],
        "steps": [line.text for line in said.steps],
        "figure": list(plan_figure(plan, units).encode()),
        "tables": [{"caption": t.caption, "head": list(t.head), "rows": [list(r) for r in t.rows]} for t in tables],
        "expect": [line.text for line in said.expect],
        "care": [*(line.text for line in said.care), *said.doubts, *said.always],
    }
    return typeset("plan.typ", data, paper, png_dpi)[0]
