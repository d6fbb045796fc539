"""A report that was made before: the facts that it carries, and whether the visit still gives it.

`compare` makes the report again from the visit's plan, hood file and traces and from the lines that the journal had
then, with the options and the customer that the report itself names. What differs is named as closely as it can be: the
line of the journal, a number, the words on a page. Nothing is written into the visit.
"""

from __future__ import annotations

import html.parser
import json
import re
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from io import BytesIO
from pathlib import Path
from typing import Any

from hoodtrace.dwelling import journal
from hoodtrace.dwelling.customer import Customer
from hoodtrace.dwelling.proof_chain import SHOWN, Finding, line_name
from hoodtrace.dwelling.visit import HOOD, PLAN
from hoodtrace.errors import FileError, HoodtraceError
from hoodtrace.reporting.report_facts import OF_CUSTOMER
from hoodtrace.reporting.report_words import Options
from hoodtrace.reporting.software import software

Facts = dict[str, Any]
MOST_NAMED = 12
"""So many differences of one kind are named one by one."""
LARGEST_BYTES = 500_000_000
_TROUBLE = (HoodtraceError, OSError, TypeError, ValueError, LookupError, ArithmeticError, AttributeError)
"""What making a report may end with where lines of the journal with good checksums make no sense."""
_FACTS = re.compile(rb'<script type="application/json" id="facts">\s*(.*?)\s*</script>', re.DOTALL)


def facts_in(report: Path) -> Facts:
    """Return the facts that a report (.pdf or .html) carries.

    Raises
    ------
    FileError
        It can't be read, or carries none.
    """
    return _facts_of(report, _bytes_of(report))


def options_in(report: Path) -> Options:
    """Return how a report was made; raises as `facts_in`."""
    return _options(report, facts_in(report))


def other_build(report: Path) -> str:
    """Return which program a report says it was made by, empty where it is this one; raises as `facts_in`."""
    by = _program(facts_in(report).get("software"))
    return "" if by == _program(software()) else by


def compare(report: Path, visit: Path) -> list[Finding]:
    """Return what of a report the visit in `visit` does not give any more; empty where it gives the same bytes.

    Parameters
    ----------
    report : Path
        A PDF or page that `hoodtrace report` made.
    visit : Path
        The visit's folder; its journal may have gone on since.

    Raises
    ------
    FileError
        The report can't be read, or carries no facts.
    """
    content = _bytes_of(report)
    facts = _facts_of(report, content)
    options, customer = _options(report, facts), _customer(report, facts)
    n_lines, newest = _journal(report, facts)
    findings = _of_line(visit, n_lines, newest)
    with tempfile.TemporaryDirectory(prefix="hoodtrace-report-") as made:
        then = Path(made) / "visit"
        try:
            _as_it_was(visit, then, n_lines, facts)
            again = _made(then, options, customer, _maker(facts))
        except _TROUBLE as error:
            said = str(error) if isinstance(error, HoodtraceError | OSError) else f"{type(error).__name__}: {error}"
            said = said.replace(str(then), str(visit))
            return [*findings, Finding(str(report), "it can't be made again", "", said)]
    is_pdf = _is_pdf(content)
    same = again.pdf if is_pdf else again.html
    if same == content:
        return findings
    mine = json.loads(json.dumps(again.facts))
    found = _differing(facts, mine)
    findings += [Finding(f"{report}, facts", what, said, now) for what, said, now in found[:MOST_NAMED]]
    if len(found) > MOST_NAMED:
        findings.append(Finding(f"{report}, facts", f"{len(found) - MOST_NAMED} more numbers differ", "", ""))
    worded = _worded(_words_of(report, content), _words_of(report, same))
    findings += [Finding(f"{report}, {where}", "its words differ", said, now) for where, said, now in worded]
    return findings + _unexplained(report, facts, bool(found or worded))


def _unexplained(report: Path, facts: Facts, is_explained: bool) -> list[Finding]:
    """Return what stays to be said of bytes that differ though they were made with the report's own word on its maker.

    That another build made it is what the report says itself.
    """
    by, now = _program(facts.get("software")), _program(software())
    if by != now:
        what = "it says that another build made it, which may round, word or place it otherwise"
        what += (
            "" if is_explained else ": its words are the same, but what else of it differs can't be told from a change"
        )
        return [Finding(str(report), what, by, now)]
    return (
        [] if is_explained else [Finding(str(report), "its words are the same, but other bytes of it differ", "", "")]
    )


# ---- what a report says of itself


def _bytes_of(report: Path) -> bytes:
    try:
        if report.stat().st_size > LARGEST_BYTES:
            raise FileError(report, "is larger than any report. Is it one?")
        return report.read_bytes()
    except OSError as error:
        raise FileError(report, f"can't be read ({error.strerror}). Name a report.pdf or report.html") from error


def _is_pdf(content: bytes) -> bool:
    return content[:5] == b"%PDF-"


def _facts_of(report: Path, content: bytes) -> Facts:
    text: bytes | None = None
    if _is_pdf(content):
        text = _attached(report, content)
    elif (inside := _FACTS.search(content)) is not None:
        text = inside[1]
    try:
        facts = None if text is None else json.loads(text)
        json.dumps(facts, ensure_ascii=False).encode()  # half a letter can't be written again
    except (ValueError, RecursionError):
        facts = None
    if not isinstance(facts, dict):
        raise FileError(report, "carries no facts of a visit. Is it a report that hoodtrace made, whole and unchanged?")
    return facts


def _attached(report: Path, content: bytes) -> bytes | None:
    from pypdf import PdfReader

    try:
        files = PdfReader(BytesIO(content)).attachments
        return next((data for name, parts in files.items() for data in parts if name == "facts.json"), None)
    except Exception as error:  # a damaged PDF raises whatever its damage happens to touch
        raise FileError(report, f"is no whole PDF ({type(error).__name__}). Copy it again") from error


def _options(report: Path, facts: Facts) -> Options:
    from hoodtrace.reporting.texts import UNITS, languages

    said = facts.get("options")
    if isinstance(said, dict):
        language, unit, names = said.get("language"), said.get("unit"), said.get("names")
        if str(language) in languages() and str(unit) in UNITS and isinstance(names, bool):
            return Options(str(language), str(unit), names)
    raise FileError(report, f"says nothing sound of how it was made (options: {said!r}). It was changed, or is damaged")


def _customer(report: Path, facts: Facts) -> Customer | None:
    said = facts.get("customer")
    if not said:
        return None
    try:
        name, address, contact = (str(said[key]) for key in OF_CUSTOMER)
        return Customer(name, address, contact)
    except (LookupError, TypeError) as error:
        raise FileError(report, "says nothing sound of its customer. It was changed, or is damaged") from error


def _journal(report: Path, facts: Facts) -> tuple[int, str]:
    said = facts.get("journal")
    n_lines = said.get("lines") if isinstance(said, dict) else None
    if isinstance(said, dict) and type(n_lines) is int and n_lines > 0 and isinstance(said.get("sha256"), str):
        return n_lines, said["sha256"]
    raise FileError(report, "does not name the journal that it was made of. It was changed, or is damaged")


def _maker(facts: Facts) -> dict[str, str] | None:
    """Return what a report says of the program that made it; None where that is no list of names and versions."""
    said = facts.get("software")
    sound = isinstance(said, dict) and all(isinstance(text, str) for text in said.values())
    return dict(said) if sound and isinstance(said, dict) else None


def _program(said: object) -> str:
    if not isinstance(said, dict):
        return "not said"
    return ", ".join(f"{name} {number}" for name, number in sorted(said.items()))


# ---- the visit as it was


def _of_line(visit: Path, n_lines: int, newest: str) -> list[Finding]:
    """Return whether the journal still has the line that was the newest then."""
    import hashlib

    try:
        lines = journal.raw_lines(visit)
    except (HoodtraceError, OSError) as error:
        return [Finding(journal.JOURNAL, "it can't be read", "", str(error))]
    if len(lines) < n_lines:
        return [
            Finding(journal.JOURNAL, "it has fewer lines than the report was made of", str(n_lines), str(len(lines)))
        ]
    now = hashlib.sha256(lines[n_lines - 1]).hexdigest() if n_lines > 0 else ""
    if now != newest:
        what = "the journal is not the one that the report was made of: this line's hash is not the one in the report"
        return [Finding(line_name(n_lines), what, newest[:SHOWN], now[:SHOWN])]
    return []


def _as_it_was(visit: Path, then: Path, n_lines: int, facts: Facts) -> None:
    """Put plan, hood file, the first lines of the journal and the traces of then into a folder of their own."""
    (then / "traces").mkdir(parents=True)
    for name in (PLAN, HOOD):
        shutil.copyfile(visit / name, then / name)
    kept = b"".join(line + b"\n" for line in journal.raw_lines(visit)[: max(n_lines, 0)])
    (then / journal.JOURNAL).write_bytes(kept)
    said = facts.get("traces")
    # The journal names those too that could not be read, which are not among the facts.
    traces: dict[str, object] = {str(one["trace"]): None for one in journal.entries(then) if one.get("trace")}
    if isinstance(said, list):
        traces |= {str(one.get("path")): one.get("bytes") for one in said if isinstance(one, dict)}
    for path, n_bytes in traces.items():
        if re.fullmatch(r"traces/[^/\\]+\.trace", path) and (visit / path).is_file():
            _trace_as_it_was(visit / path, then / path, n_bytes)


def _trace_as_it_was(path: Path, then: Path, n_bytes: object) -> None:
    """Put a trace there; of one that has grown since only as many bytes as there were then."""
    if type(n_bytes) is not int or not 0 <= n_bytes < path.stat().st_size:
        then.symlink_to(path.resolve())
        return
    with path.open("rb") as file, then.open("xb") as copy:
        left = n_bytes
        while left and (block := file.read(min(left, 1 << 20))):
            copy.write(block)
            left -= len(block)


def _made(then: Path, options: Options, customer: Customer | None, made_by: dict[str, str] | None) -> Any:
    from hoodtrace.reporting.report import make

    return make(then, options, customer, made_by)


# ---- what differs


def _differing(said: Any, now: Any, where: str = "") -> list[tuple[str, str, str]]:
    """Return the places at which two facts differ, software apart, with both values as text."""
    if isinstance(said, dict) and isinstance(now, dict):
        keys = [*said, *(key for key in now if key not in said)]
        inner = [key for key in keys if where or key != "software"]
        missing = object()
        return [
            found
            for key in inner
            for found in _differing(said.get(key, missing), now.get(key, missing), f"{where}.{key}".lstrip("."))
        ]
    if isinstance(said, list) and isinstance(now, list) and len(said) == len(now):
        return [
            found
            for one, (a, b) in enumerate(zip(said, now, strict=True))
            for found in _differing(a, b, f"{where}.{_name(a, one)}")
        ]
    if said == now:
        return []
    old, new = (json.dumps(v, ensure_ascii=False) if _is_json(v) else "nothing" for v in (said, now))
    return [(where, old, new)]


def _name(one: Any, number: int) -> str:
    """Return what an entry of a list is called: by its own name where it has one, else its number from 1."""
    own = next((one[key] for key in ("id", "window", "path") if one.get(key)), None) if isinstance(one, dict) else None
    return str(own or number + 1)


def _is_json(value: Any) -> bool:
    return value is None or isinstance(value, str | int | float | bool | list | dict)


def _words_of(report: Path, content: bytes) -> list[tuple[str, str]]:
    """Return what a report shows, piece by piece, each with where it stands."""
    if not _is_pdf(content):
        reader = _Shown()
        reader.feed(content.decode("utf-8", "replace"))
        reader.close()
        return [(f"line {line}", words) for line, words in reader.pieces]
    from pypdf import PdfReader

    try:
        pages = [page.extract_text() for page in PdfReader(BytesIO(content)).pages]
    except Exception as error:  # as in `_attached`
        raise FileError(report, f"is no whole PDF ({type(error).__name__}). Copy it again") from error
    return [
        (f"page {number}", line.strip())
        for number, page in enumerate(pages, 1)
        for line in page.splitlines()
        if line.strip()
    ]


def _worded(said: Sequence[tuple[str, str]], now: Sequence[tuple[str, str]]) -> list[tuple[str, str, str]]:
    """Return where the words of two reports differ: the place in the first, its words, those of the second."""
    return list(_stretches(said, now))[:MOST_NAMED]


def _stretches(said: Sequence[tuple[str, str]], now: Sequence[tuple[str, str]]) -> Iterator[tuple[str, str, str]]:
    old, new = [words for _, words in said], [words for _, words in now]
    for tag, a, b, c, d in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if tag != "equal":
            where = said[min(a, len(said) - 1)][0] if said else "everywhere"
            yield where, _short(" | ".join(old[a:b])), _short(" | ".join(new[c:d]))


def _short(words: str) -> str:
    return words if len(words) <= 300 else words[:299] + "…"


class _Shown(html.parser.HTMLParser):
    """The words of a page with the lines they stand in; what styles it or could run too, and words of its pictures."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[tuple[int, str]] = []
        self._in_facts = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_facts = tag == "script" and ("id", "facts") in attrs and ("type", "application/json") in attrs
        # Everything that could show something else than the words between the tags.
        for name, value in attrs:
            self.pieces.append((self.getpos()[0], f"{tag} {name}={value}"))

    def handle_endtag(self, tag: str) -> None:
        self._in_facts = False

    def handle_data(self, data: str) -> None:
        if not self._in_facts:  # these are compared number by number
            lines = enumerate(data.split("\n"), self.getpos()[0])
            self.pieces += [(number, line.strip()) for number, line in lines if line.strip()]
