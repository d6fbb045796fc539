"""The report of a visit: PDF and one self-contained page, of the same blocks of words; same input, same bytes.

Both carry their facts: what they were made of, with which options, and every number, for `hoodtrace verify`. Nothing of
a customer is in the facts where names are left out.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.customer import read_customer
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.errors import FileError, VisitError
from hoodtrace.reporting import blocks
from hoodtrace.reporting.pdf import compile_pdf, page_pictures, spelled_out
from hoodtrace.reporting.report_basis import basis, judged
from hoodtrace.reporting.report_draw import reading_pictures, terminal_pictures
from hoodtrace.reporting.report_facts import facts_of
from hoodtrace.reporting.report_front import front
from hoodtrace.reporting.report_gathered import Gathered, gathered
from hoodtrace.reporting.report_html import page_of
from hoodtrace.reporting.report_keep import keep, trust
from hoodtrace.reporting.report_readings import readings
from hoodtrace.reporting.report_words import Options, ReportWords
from hoodtrace.reporting.software import software
from hoodtrace.wire.whole_file import write_whole

if TYPE_CHECKING:
    from hoodtrace.dwelling.customer import Customer

PDF, HTML = "report.pdf", "report.html"
TEMPLATE = "report"
_OWN = ("hoodtrace", "build")


@dataclass(frozen=True, slots=True)
class Made:
    """A report: the PDF, the page, and the facts that both carry."""

    pdf: bytes
    html: bytes
    facts: dict[str, Any]


def make(folder: Path, options: Options, customer: Customer | None, made_by: dict[str, str] | None = None) -> Made:
    """Return the report of the visit in `folder`.

    Parameters
    ----------
    folder : Path
        The visit; it is not changed.
    options : Options
    customer : Customer or None
        Shown only where `options.names` says so.
    made_by : dict of str to str, optional
        What the report says of the program that made it; without it, what this program is.

    Raises
    ------
    UsageError
        The visit has not begun.
    VisitError, HoodError, FileError
        Plan, journal, hood file or a page can't serve.
    """
    shown = customer if options.names else None
    facts, data, pictures = _of_visit(folder, options, shown, made_by)
    text = json.dumps(facts, ensure_ascii=False, allow_nan=False, sort_keys=True, indent=1)
    pdf = compile_pdf(TEMPLATE, _for_pdf(data, options), pictures, {"facts.json": text.encode()})
    return Made(pdf, page_of(data, pictures, text), facts)


def png_pages(folder: Path, options: Options, customer: Customer | None, ppi: float = 80.0) -> list[bytes]:
    """Return the PDF's pages as PNG, for a look on the screen; raises as `make`."""
    shown = customer if options.names else None
    facts, data, pictures = _of_visit(folder, options, shown)
    return page_pictures(TEMPLATE, _for_pdf(data, options), pictures, ppi, {"facts.json": json.dumps(facts).encode()})


def write(folder: Path, options: Options, names: Sequence[str] = (PDF, HTML)) -> list[Path]:
    """Write report.pdf and report.html (or one of them) into the visit's folder, each whole or not at all.

    Raises
    ------
    FileError
        The disk takes no more, or nothing may be written there; and as `make`.
    """
    made = make(folder, options, read_customer(folder))
    paths = [folder / name for name in names]
    for path in paths:
        try:
            write_whole(path, made.pdf if path.name == PDF else made.html)
        except OSError as error:
            raise FileError(
                path, f"can't be written ({error.strerror}). Make room, or take the write protection off"
            ) from error
    return paths


def remake_without_names(folder: Path) -> list[Path]:
    """Make those reports in a visit's folder that show names anew without them, language and unit as they were.

    Raises
    ------
    FileError
        As `write`.
    """
    from hoodtrace.reporting.reported import options_in

    there = [name for name in (PDF, HTML) if (folder / name).exists()]
    if not there:
        return []
    had = options_in(folder / there[0])
    return write(folder, Options(had.language, had.unit, names=False), there)


def _of_visit(
    folder: Path, options: Options, customer: Customer | None, made_by: dict[str, str] | None = None
) -> tuple[dict[str, Any], dict[str, Any], dict[str, bytes]]:
    """Return what `_placed` does, of the visit in `folder`."""
    try:
        return _placed(gathered(folder), options, customer, made_by)
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        # Lines with good checksums can still say anything, and fail wherever that is first used.
        what = f"its checksums are good, but what it says makes no sense ({type(error).__name__}: {error})"
        raise VisitError(folder / JOURNAL, what) from error


def _placed(
    g: Gathered, options: Options, customer: Customer | None, made_by: dict[str, str] | None = None
) -> tuple[dict[str, Any], dict[str, Any], dict[str, bytes]]:
    """Return the facts, what both templates place, and the pictures by name."""
    words, made_by = ReportWords(options), made_by or software()
    facts = facts_of(g, options, customer, made_by)
    of_terminals, terminals = terminal_pictures(g, words)
    of_readings, traces = reading_pictures(g, words)
    programs = [(words.r("made_by_program"), _program(made_by)), (words.r("read_by_program"), _begun_with(g))]
    site = g.visit.plan.site.name if options.names else words.r("no_name")
    parts = [
        front(g, words, customer, of_terminals),
        keep(g, words),
        [*judged(g, words), *readings(g, words, of_readings), *basis(g, words, programs), *trust(g, words)],
    ]
    data = {
        "title": words.r("title", site=site),
        "language": words.language,
        "date": g.date,
        "foot": words.r("foot", site=site, date=g.date, hash=g.newest_sha256[:12]),
        "facts_words": words.r("facts_words"),
        "parts": parts,
    }
    return facts, data, terminals | traces


def _for_pdf(data: dict[str, Any], options: Options) -> dict[str, Any]:
    """Return the data with letters that the page's font lacks as their codes, and a note that says so."""
    shown, codes = spelled_out(data)
    if codes:
        words = ReportWords(options)
        shown["parts"][0].append(blocks.text(words.r("no_shape", codes=", ".join(codes)), "quiet"))
    return dict(shown)


def _program(found: dict[str, str]) -> str:
    others = ", ".join(f"{name} {number}" for name, number in sorted(found.items()) if name not in _OWN)
    return f"hoodtrace {found.get('hoodtrace', '?')} ({found.get('build', '?')}); {others}"


def _begun_with(g: Gathered) -> str:
    return str((g.visit.state.begun or {}).get("software", ""))
