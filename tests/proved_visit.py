"""Visits to prove: one that the guide leads live over the bytes of a trace, and journals changed by who knows the CRC.

Contract: `guided` gives the bytes to the guide in the pieces that the desk gives it, so what stands in the journal was
read live. `rewritten` and `chained` make CRC and chain good with zlib's and hashlib's own functions.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from zlib import crc32

from hoodtrace.board.desk import DECODE_BYTES
from hoodtrace.board.guide import Guide
from hoodtrace.board.recorder import Status
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.visit import Visit
from hoodtrace.physics.hood import read_hood
from hoodtrace.wire.decoder import Decoder

UTC = "2030-01-01T09:00:00.000+00:00"
Line = dict[str, Any]


def guided(folder: Path, trace: bytes, hood: str, n_terminals: int = 8, **begin: object) -> Visit:
    """Lead a visit of so many supply terminals over a trace; holds end at 20 %, and what is in doubt is kept."""
    (folder / "traces").mkdir(parents=True)
    plan = '[site]\nname = "Alder Row 7"\nopen_flued_appliance = "no"\n[hold]\nprecision_rel = 0.20\n'
    plan += '[[system]]\nname = "unit"\nkind = "supply"\n'
    for i in range(1, n_terminals + 1):
        plan += f'[[terminal]]\nid = "S{i}"\nroom = "Room {i}"\nsystem = "unit"\ndirection = "supply"\n'
    (folder / "visit.toml").write_text(plan, encoding="utf-8")
    (folder / "hood.toml").write_text(hood, encoding="utf-8")
    visit, name = Visit(folder), "traces/01.trace"
    visit.decide({"do": "begin", **begin}, UTC)
    while (question := visit.step().question) is not None:
        value = {"number": 10.0, "choice": (*question.options, "")[0]}.get(question.kind)
        visit.decide({"do": "answer", "question": question.id, "value": value}, UTC)
    visit.decide({"do": "trace opened", "trace": name}, UTC)
    (folder / name).write_bytes(trace)
    guide = Guide(visit, read_hood(folder / "hood.toml")[0], name, lambda said: None, lambda: None, lambda: UTC)
    decoder = Decoder()
    for start in range(0, len(trace), DECODE_BYTES):
        guide.feed(decoder.feed(trace[start : start + DECODE_BYTES]), Status("loop://", {}))
        if visit.state.doubt is not None:
            visit.decide({"do": "answer", "question": "doubt", "value": "keep"}, UTC)
    closed = {"do": "trace closed", "trace": name, "bytes": len(trace), "sha256": hashlib.sha256(trace).hexdigest()}
    visit.decide(closed, UTC)
    return visit


def lines_of(folder: Path) -> list[bytes]:
    """The lines of a journal, each without its line feed."""
    return (folder / JOURNAL).read_bytes().split(b"\n")[:-1]


def put(folder: Path, lines: Sequence[bytes]) -> None:
    """Write a journal of these lines."""
    (folder / JOURNAL).write_bytes(b"".join(line + b"\n" for line in lines))


def rewritten(fields: Line) -> bytes:
    """A line of these fields with a good CRC; `prev` as they have it."""
    body = {key: value for key, value in fields.items() if key not in ("prev", "crc")} | {"prev": fields["prev"]}
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
    return f'{text[:-1]},"crc":"{crc32(text.encode()):08x}"}}'.encode()


def chained(folder: Path, lines: Sequence[bytes]) -> list[bytes]:
    """These lines with CRCs and the whole chain made good."""
    root = (folder / "visit.toml").read_bytes() + (folder / "hood.toml").read_bytes()
    before, out = hashlib.sha256(root).hexdigest(), []
    for line in lines:
        out.append(rewritten({**json.loads(line), "prev": before}))
        before = hashlib.sha256(out[-1]).hexdigest()
    return out
