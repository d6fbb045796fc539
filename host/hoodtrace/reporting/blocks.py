"""What a report is made of: blocks of words in the order of reading, placed by the PDF's and the page's template alike.

A block is a plain object that JSON can say; every number in it is a word already. Both templates place blocks and
decide nothing, so that the two can't say different things.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal

Block = dict[str, Any]
Tone = Literal["plain", "quiet", "intro", "strong", "caution"]


def heading(words: str, level: int = 2) -> Block:
    """Return a heading; level 1 is the title, 2 a part, 3 a piece of a part."""
    return {"kind": "heading", "words": words, "level": level}


def text(words: str, tone: Tone = "plain") -> Block:
    """Return a paragraph; an intro stays with what follows it."""
    return {"kind": "text", "words": words, "tone": tone}


def lead(words: str) -> Block:
    """Return the sentence that is read first."""
    return {"kind": "lead", "words": words}


def boxes(*parts: tuple[str, Sequence[str]]) -> Block:
    """Return short lists side by side, each with its title; one without entries is left out."""
    return {"kind": "boxes", "boxes": [{"title": title, "items": list(items)} for title, items in parts if items]}


def facts(rows: Sequence[tuple[str, str]]) -> Block:
    """Return names with what they are; rows with nothing are left out."""
    return {"kind": "facts", "rows": [[name, what] for name, what in rows if what]}


def items(words: Sequence[str], tone: Tone = "plain") -> Block:
    """Return a list."""
    return {"kind": "items", "items": list(words), "tone": tone}


def table(head: Sequence[str], align: str, rows: Sequence[Sequence[str]], wide: Sequence[int]) -> Block:
    """Return a table; `align` has "l" or "r" a column; those in `wide` (from 0) share what the others leave."""
    assert all(len(row) == len(head) == len(align) for row in rows)
    return {
        "kind": "table",
        "head": list(head),
        "align": [{"l": "left", "r": "right"}[each] for each in align],
        "rows": [list(row) for row in rows],
        "wide": list(wide),
    }


def picture(name: str, alt: str, on: Literal["all", "wide", "narrow"] = "all") -> Block:
    """Return the place of a picture; `alt` says what it shows to who does not see it.

    One of a `narrow` screen has one of a `wide` page beside it that shows the same; a PDF is wide.
    """
    return {"kind": "picture", "name": name, "alt": alt, "on": on}


def card(blocks: Sequence[Block]) -> Block:
    """Return blocks that stay together on a page."""
    return {"kind": "card", "blocks": list(blocks)}


def pair(left: Sequence[Block], right: Sequence[Block]) -> Block:
    """Return blocks side by side where there is room."""
    return {"kind": "pair", "left": list(left), "right": list(right)}


def page_if_long() -> Block:
    """Return where a part that fits on no single page goes on with a new one."""
    return {"kind": "page-if-long"}


def lines_to_sign(labels: Sequence[str]) -> Block:
    """Return empty lines to write on by hand."""
    return {"kind": "sign", "labels": list(labels)}


def words_of(blocks: Sequence[Block]) -> Iterator[str]:
    """Yield all words of some blocks, in the order of reading."""
    for block in blocks:
        for key, value in block.items():
            if key in ("kind", "tone", "name", "align", "on"):
                continue
            yield from _words(value)


def _words(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        for each in value:
            yield from _words(each)
    elif isinstance(value, dict):
        yield from words_of([value])
