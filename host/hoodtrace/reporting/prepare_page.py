"""The list to prepare a visit as a page A4 to take along: the words of `dwelling.prepare`, placed.

One page up to about thirty terminals; more take more pages, nothing is cut.
"""

from __future__ import annotations

import datetime
from dataclasses import asdict
from typing import Any

from hoodtrace.dwelling.plan import Plan
from hoodtrace.dwelling.prepare import preparation
from hoodtrace.reporting.pdf import compile_pdf, page_pictures, spelled_out

TEMPLATE = "prepare"
_ID_LETTERS = (6, 12)  # the column of ids holds at least and at most so many letters a line
_DESIGN_LETTERS = 20  # longer words of a design flow (several settings) share the width, shorter ones have their own
_EM_PER_LETTER = 0.75  # of the bold font, capitals and digits


def prepare_pdf(plan: Plan, date: datetime.date) -> bytes:
    """Return the list as a PDF; same plan and date, same bytes.

    Letters that the page's font lacks are shown by their code, and a note on the page says so.
    """
    return compile_pdf(TEMPLATE, page_data(plan, date), {})


def prepare_png(plan: Plan, date: datetime.date, ppi: float = 110.0) -> list[bytes]:
    """Return the list's pages as PNG, for a look on the screen."""
    return page_pictures(TEMPLATE, page_data(plan, date), {}, ppi)


def page_data(plan: Plan, date: datetime.date) -> dict[str, Any]:
    """Return what the template places: words, and how wide the column of ids is."""
    shown, codes = spelled_out(asdict(preparation(plan)))
    note = f"Letters that this page has no shape for are shown by their code ({', '.join(codes)})." if codes else ""
    least, most = _ID_LETTERS
    letters = min(most, max(least, *(len(stop["id"]) for stop in shown["stops"])))
    return {
        **shown,
        "title": f"Preparing the visit: {shown['site']}",
        "language": "en",
        "date": date.isoformat(),
        "note": note,
        "several_systems": len(plan.systems) > 1,
        "above_reach": [stop["above_reach"] for stop in shown["stops"]],
        "wide_design": any(len(stop["design"]) > _DESIGN_LETTERS for stop in shown["stops"]),
        "id_letters": letters,
        "id_em": letters * _EM_PER_LETTER + 1.0,
    }
