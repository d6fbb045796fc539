"""Small visits to review: traces of the second generator, each hold's reading given to a terminal as the guide does.

Contract: `made(folder)` writes a whole visit; the same bytes each time. Trace 01 has the holds of S1, S2 (the valve is
turned once, so two plateaus) and E1, trace 02 (on demand) the repeat at S1 and a hold that no terminal got.
"""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from typer.testing import CliRunner

from hoodtrace.averaging.table import Table, readings_of
from hoodtrace.cli.app import app
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.visit import Visit
from hoodtrace.dwelling.window import reading_fields
from hoodtrace.physics.hood import read_hood
from worlds.second import Fluctuation, Hold, Plateau, hood_toml, make_trace, visit
from worlds.second_hood import Hood

BEGUN, UTC, LATER = "2030-01-01T08:50:00.000+00:00", "2030-01-01T12:00:00.000+00:00", "2030-01-02T08:00:00.000+00:00"
"""The second generator's traces begin at 09:00 of that day."""
SEED = 20300101
Change = dict[str, Any]
CUT = {"do": "cut", "id": "01:3.1", "start_s": 112.0, "end_s": 114.0, "why": "door"}
REJECT = {"do": "reject", "id": "01:2.2", "why": "smoke"}
GIVE = {"do": "give", "id": "01:2.1", "terminal": "S1"}
NEW = {"do": "new", "trace": "01", "start_s": 89.0, "end_s": 107.0}
PLAN = """
[site]
name = "Alder Row 7"
open_flued_appliance = "no"
[[system]]
name = "unit"
kind = "heat-recovery"
[[terminal]]
id = "S1"
room = "Living room"
system = "unit"
direction = "supply"
design_m3h = 60.0
[[terminal]]
id = "S2"
room = "Study"
system = "unit"
direction = "supply"
design_m3h = 35.0
[[terminal]]
id = "E1"
room = "Bathroom"
system = "unit"
direction = "extract"
design_m3h = 80.0
[[terminal]]
id = "E2"
room = "Kitchen"
system = "unit"
direction = "extract"
design_m3h = 75.0
"""
_AIR = Fluctuation("ou", 0.04, 0.4)
HOLDS = {
    "01": (
        Hold((Plateau(60.0, 16.0, _AIR),), "supply", n_gusts=1),
        Hold((Plateau(45.0, 14.0, _AIR), Plateau(35.0, 16.0, _AIR)), "supply"),
        Hold((Plateau(75.0, 16.0, _AIR),), "extract"),
    ),
    "02": (Hold((Plateau(58.0, 16.0, _AIR),), "supply"), Hold((Plateau(70.0, 14.0, _AIR),), "extract")),
}
GIVEN = {"01": {(1, 1): "S1", (2, 2): "S2", (3, 1): "E1"}, "02": {(2, 1): "S1"}}


@cache
def trace_bytes(name: str) -> bytes:
    """The bytes of a trace."""
    rng = np.random.default_rng(SEED + int(name))
    return make_trace(visit(HOLDS[name], rng), SEED + int(name))[0]


def made(folder: Path, *names: str, begun: bool = True, closed: bool = True) -> Path:
    """Make a visit with traces `names` (01 where none is given); not begun: traces, plan and hood file alone."""
    names = names or ("01",)
    shutil.copytree(_template(names, begun, closed), folder)
    return folder


def opened(folder: Path) -> Review:
    """A review with its traces read."""
    review = Review(folder)
    review.load()
    return review


def table(folder: Path, name: str = "01", window_s: tuple[float, float] | None = None) -> Table:
    """What `hoodtrace readings --automatic` finds in a trace of the visit."""
    return readings_of(folder / "traces" / f"{name}.trace", folder / "hood.toml", window_s)


def windows(review: Review) -> dict[str, dict[str, Any]]:
    return {window["id"]: window for window in review.state()["windows"]}


def flows(visit: Visit, terminal: str) -> list[float]:
    return [p.flow_m3h for p in visit.state.at(terminal, "normal")]


def run(*words: object) -> tuple[str, str]:
    """What a command says on both its streams."""
    done = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout, done.stderr


def readings(folder: Path, *more: object, name: str = "01") -> dict[str, Any]:
    trace = folder / "traces" / f"{name}.trace"
    hood = () if "--hood" in more else ("--hood", folder / "hood.toml")
    said, _ = run("readings", trace, *hood, *more, "--format", "json")
    return json.loads(said)


def row_of(found: dict[str, Any], hold: int, plateau: int) -> dict[str, Any]:
    (row,) = [r for r in found["readings"] + found["refused"] if (r["hold"], r["plateau"]) == (hold, plateau)]
    return row


@cache
def _template(names: tuple[str, ...], begun: bool, closed: bool) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="reviewed-visit-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "traces").mkdir()
    (folder / "visit.toml").write_text(PLAN, encoding="utf-8")
    (folder / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    for name in names:
        (folder / "traces" / f"{name}.trace").write_bytes(trace_bytes(name))
    if begun:
        _measured(Visit(folder), names, closed)
    return folder


def _measured(visit: Visit, names: tuple[str, ...], closed: bool) -> None:
    """Begin the visit, answer what is asked, give the readings."""
    visit.decide({"do": "begin"}, BEGUN)
    while (question := visit.step().question) is not None:
        usual = {"number": 10.0, "choice": question.options[:1] and question.options[0]}
        visit.decide({"do": "answer", "question": question.id, "value": usual.get(question.kind)}, BEGUN)
    hood, _ = read_hood(visit.folder / "hood.toml")
    for name in names:
        trace, found = f"traces/{name}.trace", table(visit.folder, name)
        visit.decide({"do": "trace opened", "trace": trace}, BEGUN)
        outcomes = {(o.hold, o.plateau): o for o in found.outcomes}
        for row in found.readings:
            place = row["hold"], row["plateau"]
            if place in GIVEN[name]:
                terminal, utc = GIVEN[name][place], f"2030-01-01T09:{int(row['hold_end_s'] // 60):02d}:59.000+00:00"
                fields = reading_fields(row, outcomes[place], hood)
                visit.decide({"do": "go", "terminal": terminal}, utc)
                visit.decide({"do": "reading", "reading": {"terminal": terminal, "trace": trace, **fields}}, utc)
        if closed:
            size = (visit.folder / trace).stat().st_size
            visit.decide({"do": "trace closed", "trace": trace, "bytes": size, "sha256": found.trace["sha256"]}, UTC)
