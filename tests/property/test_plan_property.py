"""Any plan survives writing and reading; any bytes as visit.toml or as a table raise nothing but VisitError.

Contract: hypothesis makes the plans from the format's own bounds; the only reference is equality.
"""

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
import unicodedata
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import openpyxl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hoodtrace.board.scenario import demo_visit_toml
from hoodtrace.dwelling import plan as p
from hoodtrace.dwelling.plan import TURNING, Plan, Rule, Site, parse_plan, plan_toml, read_plan
from hoodtrace.dwelling.plan_table import plan_from_table, table_csv
from hoodtrace.errors import VisitError

QUICK = settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
LETTERS = st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp"), exclude_characters=TURNING)
WORDS = st.text(LETTERS, max_size=30)
NAMES = st.text(LETTERS, min_size=1, max_size=20).filter(
    lambda s: s == s.strip() and any(unicodedata.category(c) not in ("Cf", "Zs") for c in s)
)


def among(literal: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from(get_args(literal))


def number(low: float, high: float) -> st.SearchStrategy[Any]:
    return st.none() | st.floats(low, high)


def looks(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()


def names(most: int) -> st.SearchStrategy[list[str]]:
    return st.lists(NAMES, min_size=1, max_size=most, unique_by=looks)


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    systems = tuple(
        p.System(
            name,
            kind := draw(among(p.SystemKind)),
            draw(among(p.Fan)) if kind != "natural" else "unknown",
            draw(among(p.Valves)),
            unit_supply_m3h=(flow := draw(number(0.1, 1e5)) if kind in ("heat-recovery", "supply") else None),
            u_unit_supply_m3h=draw(number(1e-3, 1e5)) if flow is not None else None,
            access=draw(WORDS),
            stack_height_m=draw(number(0.1, 100.0)) if kind == "natural" else None,
        )
        for name in draw(names(3))
    )
    settings_ = tuple(draw(names(3)))
    terminals = []
    for name in draw(names(6)):
        system = draw(st.sampled_from(systems))
        direction = system.kind if system.kind in ("supply", "extract") else draw(among(p.Direction))
        cover = draw(among(p.Cover))
        terminals.append(
            p.Terminal(
                name,
                draw(NAMES),
                system.name,
                direction,
                draw(number(0.1, 1e5)),
                draw(WORDS),
                draw(among(p.Limit)),
                {each: draw(st.floats(0.1, 1e5)) for each in settings_[1:] if draw(st.booleans())},
                draw(number(0.0, 30.0)),
                cover,
                draw(WORDS) + "." if cover == "none" else draw(WORDS),
                draw(number(0.1, 1e6)),
                draw(st.booleans()),
                draw(WORDS),
                draw(WORDS),
            )
        )
    return Plan(
        Site(draw(NAMES), draw(number(0.1, 1e5)), draw(st.none() | st.integers(0, 1000)), None,
             draw(number(1.0, 1e6)), draw(number(0.01, 100.0)), draw(among(p.YesNo)), draw(WORDS)),
        systems,
        tuple(terminals),
        tuple(p.Room(name, draw(among(p.RoomKind)), draw(number(0.1, 1e5)), 2) for name in draw(names(3))),
        settings_,
        Rule(draw(st.floats(1e-9, 1.0)), draw(st.floats(1e-9, 1.0)), draw(st.floats(1e-9, 0.5))),
        tuple(p.OtherFan(draw(NAMES), draw(st.floats(0.1, 1e5)), draw(WORDS)) for _ in range(draw(st.integers(0, 2)))),
        tuple(p.Appliance(draw(NAMES), draw(WORDS), draw(among(p.ApplianceKind))) for _ in range(2)),
        draw(st.floats(0.005, 0.2)),
        draw(st.floats(2.0, 10.0)),
    )  # fmt: skip


@QUICK
@given(plans())
def test_any_plan_survives_writing_and_reading(plan: Plan) -> None:
    assert parse_plan(plan_toml(plan), "visit.toml") == plan


@QUICK
@given(plans(), st.booleans())
def test_what_a_table_holds_of_any_plan_survives_it(plan: Plan, comma: bool) -> None:
    held = Plan(
        replace(plan.site, note=plan.site.note.strip()),
        tuple(p.System(system.name, system.kind, system.fan) for system in plan.systems),
        tuple(
            replace(
                t,
                branch=t.branch.strip(),
                why_not=t.why_not.strip(),
                design_from=t.design_from.strip(),
                note=t.note.strip(),
            )
            for t in plan.terminals
        ),
        settings=plan.settings,
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.csv"
        path.write_text(table_csv(plan, comma), encoding="utf-8-sig", newline="")
        assert plan_from_table(path).plan == held


def only_visit_errors(name: str, content: bytes, read: Any) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        with contextlib.suppress(VisitError):
            read(path)


DEMO = demo_visit_toml().encode()
TABLE = table_csv(parse_plan(DEMO.decode(), "visit.toml")).encode()


def workbook() -> bytes:
    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(TABLE.decode(), newline="")):
        book.worksheets[0].append([float(cell) if cell.replace(".", "").isdigit() else cell for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


WORKBOOK = workbook()


@st.composite
def broken(draw: st.DrawFn, whole: bytes) -> bytes:
    """Cut, spoiled or crossed pieces of a good file."""
    content = bytearray(whole[: draw(st.integers(0, len(whole)))] if draw(st.booleans()) else whole)
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(content)))
        content[at : at + draw(st.integers(0, 9))] = draw(st.binary(max_size=6) | st.sampled_from([b"nan", b"-", b'"']))
    return bytes(content)


@QUICK
@given(st.binary(max_size=300) | broken(DEMO) | st.text(max_size=200).map(lambda s: s.encode("utf-8", "replace")))
def test_any_bytes_as_a_plan_raise_nothing_but_visit_errors(content: bytes) -> None:
    only_visit_errors("visit.toml", content, read_plan)


@QUICK
@given(st.binary(max_size=300) | broken(TABLE) | broken(WORKBOOK))
def test_any_bytes_as_a_table_raise_nothing_but_visit_errors(content: bytes) -> None:
    only_visit_errors("plan.csv", content, plan_from_table)
