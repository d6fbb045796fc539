"""Many small visits by code, for the archive: plan, hood file, and a journal whose chain and checksums are right.

Contract: nothing of the package writes here; the chain is worked out from its description (each line's `prev` is the
SHA-256 of the line before, the first one's of plan and hood file; `crc` is zlib's CRC-32 of the object without it). The
same generator, the same bytes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np

BEGINS = datetime(2030, 1, 1, 9, 0, tzinfo=UTC)
ROOMS = ("Living room", "Bedroom", "Kitchen", "Bathroom", "Study", "Hall")
HOOD = """name = "pipe hood {number}"
[pipe]
bore_mm = 104.0
length_mm = 200.0
[vane]
offset_m_s = 0.14
gain_m_s_per_hz = 0.047
start_m_s = 0.25
k = {k}
u_k_rel = 0.02
[taps]
count = 4
c = 0.71
u_c_rel = 0.025
zero_pa = 0.0
u_zero_pa = 0.02
"""


def utc(days: float, seconds: float = 0.0) -> str:
    """A time of day as journals have it."""
    return (BEGINS + timedelta(days=days, seconds=seconds)).isoformat()


def write_journal(folder: Path, lines: Sequence[dict[str, Any]]) -> None:
    """Write a journal whose first line builds on the folder's plan and hood file."""
    roots = (folder / "visit.toml").read_bytes() + (folder / "hood.toml").read_bytes()
    prev, out = hashlib.sha256(roots).hexdigest(), []
    for fields in lines:
        body = json.dumps({**fields, "prev": prev}, ensure_ascii=False, separators=(",", ":"))
        line = f'{body[:-1]},"crc":"{crc32(body.encode()):08x}"}}'.encode()
        prev = hashlib.sha256(line).hexdigest()
        out.append(line + b"\n")
    (folder / "journal.jsonl").write_bytes(b"".join(out))


def plan(n_terminals: int, design_m3h: float = 40.0, site: str = "Alder Row 7") -> str:
    """A visit.toml with one unit; the first half of the terminals supplies."""
    text = f'[site]\nname = {json.dumps(site)}\n[[system]]\nname = "unit"\nkind = "heat-recovery"\n'
    for number in range(n_terminals):
        supply = number < n_terminals / 2
        text += f'[[terminal]]\nid = "{"S" if supply else "E"}{number + 1}"\nroom = "{ROOMS[number % len(ROOMS)]}"\n'
        text += f'system = "unit"\ndirection = "{"supply" if supply else "extract"}"\ndesign_m3h = {design_m3h}\n'
    return text


def make(folder: Path, rng: np.random.Generator, number: int, n_terminals: int = 10, trace: Path | None = None) -> Path:
    """Write a visit: each terminal read once, half of them turned and read again; with a link to a trace, if given."""
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(plan(n_terminals), encoding="utf-8")
    (folder / "hood.toml").write_text(HOOD.format(number=number % 5, k=0.93), encoding="utf-8")
    lines: list[dict[str, Any]] = [{"kind": "begun", "utc": utc(number), "what": "visit", "software": "bench"}]
    at_s = 60.0
    for terminal in range(n_terminals):
        name, direction = (
            (f"S{terminal + 1}", "supply") if terminal < n_terminals / 2 else (f"E{terminal + 1}", "extract")
        )
        for turned in (False, True)[: 1 + terminal % 2]:
            flow = float(rng.normal(38.0 if turned else 33.0, 3.0))
            u = 0.02 * flow
            terms = [["fluctuation of the air", 0.4, 20.0, "reading"], ["k-factor", u, None, "hood"]]
            held = float(rng.uniform(12, 40))
            lines.append(
                {
                    "kind": "reading", "utc": utc(number, at_s + held), "terminal": name, "setting": "normal",
                    "stage": "round", "by": "hood", "trace": "traces/01.trace", "hood_on": True,
                    "after_turn": turned, "hold": len(lines), "plateau": 1, "hold_start_s": at_s,
                    "hold_end_s": at_s + held, "start_s": at_s + 2, "end_s": at_s + held - 1, "used_s": held - 3,
                    "direction": direction, "flow_m3h": flow, "u_flow_m3h": u, "dof": None, "confidence": 0.95,
                    "expanded_m3h": 1.96 * u, "u_random_m3h": 0.4, "expanded_random_m3h": 0.84,
                    "fluctuation_rel": 0.05, "correlation_s": 0.6, "vane_m3h": flow * 1.01, "u_vane_m3h": u,
                    "taps_m3h": flow * 0.99, "u_taps_m3h": u, "rejected": [], "flags": [], "terms": terms,
                }
            )  # fmt: skip
            at_s += held + 30.0
    lines.append({"kind": "finished", "utc": utc(number, at_s), "early": False})
    write_journal(folder, lines)
    if trace is not None:
        (folder / "traces" / "01.trace").hardlink_to(trace)
    return folder
