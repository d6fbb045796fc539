"""Visits to report: with traces of the second generator, or typed in, of any size and with any names.

Contract: `traced` and `typed` write a whole visit; the same bytes for the same arguments. In a typed visit every
terminal is read as found, every other valve is turned, the fan is set once, and all valves' positions are noted.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from hoodtrace.averaging.table import readings_of
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.visit import Visit
from hoodtrace.dwelling.window import reading_fields
from hoodtrace.physics.hood import read_hood
from visits_over_time import by_hand
from worlds.second import Fluctuation, Hold, Plateau, hood_toml, make_trace, visit
from worlds.second_hood import Hood

BEGUN, UTC = "2030-01-01T08:50:00.000+00:00", "2030-01-01T12:00:00.000+00:00"
HOSTILE = (
    "<script>document.title='ran'</script>",
    '"><img src=x onerror="document.title=\'ran\'">',
    "]]></script><b>bold</b> &amp; &lt;",
    "#pagebreak() $x^2$ *strong* _em_ @ref <label> \\u{41}",
    "מטבח ראשי",
    "غرفة المعيشة",
    "台所",
    "Küche Żółć Εστία",
    "A" * 120,
    "word " * 23 + "end",
    "=HYPERLINK(1)",
    "{{ 7*7 }}{% raw %}",
    "</style><style>*{display:none}</style>",
    "{n} braces {site}",
    "🔥 fire",
    "e\u0301 combining",
)
"""Names that somebody may type, or that somebody may try."""


def plan_toml(
    names: Sequence[tuple[str, str]], designs: Sequence[float], site: str = "Alder Row 7", settings: Sequence[str] = ()
) -> str:
    """A visit.toml with one unit; the first half of the terminals is supply, the rest extract."""
    text = f'[site]\nname = {json.dumps(site, ensure_ascii=False)}\nopen_flued_appliance = "no"\nvolume_m3 = 250.0\n'
    text += 'n50_per_h = 3.0\n[[system]]\nname = "unit"\nkind = "heat-recovery"\n'
    for k, ((name, room), design) in enumerate(zip(names, designs, strict=True)):
        direction = "supply" if k < (len(names) + 1) // 2 else "extract"
        text += f"[[terminal]]\nid = {json.dumps(name, ensure_ascii=False)}\n"
        text += f'room = {json.dumps(room, ensure_ascii=False)}\nsystem = "unit"\n'
        text += f'direction = "{direction}"\ndesign_m3h = {design}\n'
    return text + "".join(f'[[setting]]\nname = "{name}"\n' for name in settings)


def plain_names(n: int) -> list[tuple[str, str]]:
    """Ids and rooms of `n` terminals."""
    half = (n + 1) // 2
    return [(f"S{k + 1}" if k < half else f"E{k + 1 - half}", f"Room {k + 1}") for k in range(n)]


def typed(folder: Path, n: int, seed: int = 1, names: Sequence[tuple[str, str]] | None = None, **plan: Any) -> Path:
    """A visit whose readings were typed in."""
    rng = np.random.default_rng(seed)
    names = plain_names(n) if names is None else names
    designs = np.round(rng.uniform(15.0, 60.0, n), 0)
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(plan_toml(names, designs.tolist(), **plan), encoding="utf-8")
    (folder / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    opened = Visit(folder)
    opened.decide({"do": "begin", "software": "hoodtrace 0"}, BEGUN)
    _answer(opened)
    flows = designs * rng.uniform(0.7, 1.4, n)
    for (name, _), flow in zip(names, flows, strict=True):
        append(folder, {**_read(name, float(flow)), "utc": UTC})
    append(folder, {"kind": "fan", "system": "unit", "ratio": 1.05, "side": "supply", "utc": UTC})
    for (name, _), design in list(zip(names, designs, strict=True))[::2]:
        append(folder, {**_read(name, float(design * rng.uniform(0.97, 1.03))), "after_turn": True, "utc": UTC})
    for k, (name, _) in enumerate(names):
        value = {"position": f"{k % 9 + 1} mm, scratch on the ring", "locked": "locked" if k % 2 else "not locked"}
        append(folder, {"kind": "answer", "question": f"valve:{name}", "value": value, "utc": UTC})
    append(folder, {"kind": "finished", "utc": UTC})
    return folder


def traced(folder: Path, n: int, seed: int = 1, hold_s: float = 20.0, rate_hz: int = 50) -> Path:
    """A visit with one trace, one hold a terminal."""
    rng = np.random.default_rng(seed)
    designs = np.round(rng.uniform(20.0, 60.0, n), 0)
    half = (n + 1) // 2
    air = [Fluctuation("ou", float(rng.uniform(0.03, 0.06)), float(rng.uniform(0.3, 0.6))) for _ in range(n)]
    holds = [
        Hold((Plateau(float(design * rng.uniform(0.8, 1.2)), hold_s, one),), "supply" if k < half else "extract")
        for k, (design, one) in enumerate(zip(designs, air, strict=True))
    ]
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(plan_toml(plain_names(n), designs.tolist()), encoding="utf-8")
    (folder / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    (folder / "traces" / "01.trace").write_bytes(make_trace(visit(holds, rng, rate_hz=rate_hz), seed)[0])
    opened = Visit(folder)
    opened.decide({"do": "begin", "software": "hoodtrace 0"}, BEGUN)
    _answer(opened)
    hood, _ = read_hood(folder / "hood.toml")
    found = readings_of(folder / "traces" / "01.trace", folder / "hood.toml")
    outcomes = {(o.hold, o.plateau): o for o in found.outcomes}
    opened.decide({"do": "trace opened", "trace": "traces/01.trace"}, BEGUN)
    # Few holds give nothing or a second plateau: which of them it was does not matter here.
    rows = {row["hold"]: row for row in found.readings}
    for (name, _), row in zip(plain_names(n), rows.values(), strict=False):
        fields = reading_fields(row, outcomes[row["hold"], row["plateau"]], hood)
        opened.decide({"do": "go", "terminal": name}, UTC)
        opened.decide({"do": "reading", "reading": {"terminal": name, "trace": "traces/01.trace", **fields}}, UTC)
    size = (folder / "traces" / "01.trace").stat().st_size
    closed = {"do": "trace closed", "trace": "traces/01.trace", "bytes": size, "sha256": found.trace["sha256"]}
    opened.decide(closed, UTC)
    return folder


def _answer(opened: Visit) -> None:
    while (question := opened.step().question) is not None:
        usual: dict[str, Any] = {"number": 10.0, "choice": question.options[0] if question.options else None}
        opened.decide({"do": "answer", "question": question.id, "value": usual.get(question.kind)}, BEGUN)


def _read(terminal: str, flow_m3h: float) -> dict[str, Any]:
    return by_hand(terminal, round(flow_m3h, 2), round(0.03 * flow_m3h, 3), meter="second meter")
