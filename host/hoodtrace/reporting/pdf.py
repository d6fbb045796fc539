"""PDF pages by typst: a template of ours, data as JSON beside it (never part of the markup), pictures as SVG.

Same input, same bytes, on every machine: only the shipped fonts are used, the date comes from the data, nothing is read
from outside this package. Pages are tagged (PDF/UA-1), with title and language. A letter that the fonts lack would
vanish without a word in typst; it is looked for first: `spelled_out` writes its code instead and names it,
`compile_pdf` refuses it.
"""

from __future__ import annotations

import functools
import json
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from hoodtrace.errors import HoodtraceError

FONTS = Path(__file__).parent / "fonts"
TEMPLATES = Path(__file__).parent / "templates"
FONT_FILES = (FONTS / "DejaVuSans.ttf", FONTS / "DejaVuSans-Bold.ttf")
ISOLATE, ISOLATE_END = "\u2068", "\u2069"
"""Unicode's first strong isolate and its end: they keep a right-to-left name from turning what stands beside it."""
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")  # Unicode categories that no eye can see


class PdfError(HoodtraceError):
    """A page can't be set: a fault in a template, a picture that is none, or letters that no shipped font has."""

    exit_code = 4


def compile_pdf(
    template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes], attached: Mapping[str, bytes] | None = None
) -> bytes:
    """Return the PDF that `template` makes of `data` and `pictures`.

    Parameters
    ----------
    template : str
        Name of a file in the templates folder, without ".typ". It finds the data in ``json(bytes(sys.inputs.data))``
        and each picture as ``image("NAME.svg", alt: ...)``.
    data : mapping
        What JSON can say. Needs "title" and "language" (two letters, ISO 639) and "date" (ISO 8601, the PDF's own).
    pictures : mapping
        Name (letters, digits, "_") to SVG bytes.
    attached : mapping, optional
        Files that the template attaches, by their names.

    Returns
    -------
    bytes
        The same bytes for the same input.

    Raises
    ------
    PdfError
        A letter is missing from the fonts, the template or a picture is at fault, or a needed key is missing.
    """
    return _compiled(template, data, pictures, "pdf", attached=attached)[0]


def page_pictures(
    template: str,
    data: Mapping[str, Any],
    pictures: Mapping[str, bytes],
    ppi: float,
    attached: Mapping[str, bytes] | None = None,
) -> list[bytes]:
    """Return each page of what `compile_pdf` makes as PNG bytes at `ppi` dots an inch; raises as that does."""
    return _compiled(template, data, pictures, "png", ppi, attached)


def missing_letters(data: Any) -> tuple[str, ...]:
    """Return the letters anywhere in `data` that the shipped fonts lack or no eye can see, each once, in order."""
    return tuple(dict.fromkeys(letter for text in _texts(data) for letter in text if not _drawable(letter)))


def spelled_out(data: Any) -> tuple[Any, tuple[str, ...]]:
    """Return `data` with each letter that can't be drawn written as its code, and those codes, for a note on the page.

    Line feeds and tabs become spaces; nothing else is changed.

    Examples
    --------
    >>> spelled_out({"name": "hood \\u4e2d"})
    ({'name': 'hood [U+4E2D]'}, ('U+4E2D',))
    """
    data = _changed(data, lambda text: re.sub(r"[\n\r\t]", " ", text))
    codes = {letter: f"U+{ord(letter):04X}" for letter in missing_letters(data)}
    changed = _changed(data, lambda text: "".join(f"[{codes[c]}]" if c in codes else c for c in text))
    return changed, tuple(codes.values())


def _compiled(
    template: str,
    data: Mapping[str, Any],
    pictures: Mapping[str, bytes],
    kind: str,
    ppi: float | None = None,
    attached: Mapping[str, bytes] | None = None,
) -> list[bytes]:
    import typst

    absent = [key for key in ("title", "language", "date") if not data.get(key)]
    if absent:
        raise PdfError(f"a page from template {template} needs {', '.join(absent)} in its data; give it.")
    missing = missing_letters(data)
    if missing:
        codes = ", ".join(f"U+{ord(letter):04X}" for letter in missing)
        raise PdfError(f"the fonts of the page have no letter for {codes} in {data['title']!r}. Write it another way.")
    unfit = [name for name in pictures if not re.fullmatch(r"\w+", name, re.ASCII)]
    if unfit:
        raise PdfError(f"a picture can't be called {unfit[0]!r}. Use letters, digits and _.")
    files = {"main.typ": _template(template)}
    files |= {path.name: path.read_bytes() for path in sorted(TEMPLATES.glob("*.typ")) if path.stem != template}
    files |= {f"{name}.svg": svg for name, svg in pictures.items()}
    files |= attached or {}
    try:
        made = typst.compile(
            files,
            root=TEMPLATES,  # else the folder that the program runs in could lend files
            font_paths=_fonts(),
            sys_inputs={"data": json.dumps(data, ensure_ascii=False, allow_nan=False)},
            format="pdf" if kind == "pdf" else "png",
            ppi=ppi,
            pdf_standards=["ua-1"] if kind == "pdf" else [],
        )
    except typst.TypstError as error:
        raise PdfError(f"the page from template {template} can't be set: {error}") from error
    assert made is not None
    return made if isinstance(made, list) else [made]


def _template(name: str) -> bytes:
    path = TEMPLATES / f"{name}.typ"
    try:
        return path.read_bytes()
    except OSError as error:
        raise PdfError(f"there is no template {name} ({error.strerror}). Install hoodtrace anew.") from error


@functools.cache
def _fonts() -> Any:
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[FONTS])


@functools.cache
def _letters() -> frozenset[int]:
    """Code points that every shipped font has."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    found = []
    for path in FONT_FILES:
        with TTFont(path, lazy=True) as font:
            found.append(set(font.getBestCmap()))
    return frozenset(set.intersection(*found))


def _drawable(letter: str) -> bool:
    if letter in (ISOLATE, ISOLATE_END):
        return True
    return ord(letter) in _letters() and unicodedata.category(letter) not in _UNSEEN


def _texts(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, Mapping):
        for value in data.values():
            yield from _texts(value)
    elif isinstance(data, (list, tuple)):
        for value in data:
            yield from _texts(value)


def _changed(data: Any, change: Callable[[str], str]) -> Any:
    if isinstance(data, str):
        return change(data)
    if isinstance(data, Mapping):
        return {key: _changed(value, change) for key, value in data.items()}
    if isinstance(data, (list, tuple)):
        return [_changed(value, change) for value in data]
    return data
