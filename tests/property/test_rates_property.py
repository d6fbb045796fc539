"""Any plan and any table: sums and minimums are kept, nothing is negative, heat recovery is equal on both sides."""

from __future__ import annotations

import math

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from hoodtrace.dwelling.plan import Plan
from hoodtrace.dwelling.rate_table import RateTable, parse_table
from hoodtrace.dwelling.rates import rates
from hoodtrace.dwelling.shares import shared
from hoodtrace.errors import VisitError
from rate_plans import RoomWords, TerminalWords, plan_of

FLOWS = st.floats(0.0, 400.0)
WEIGHTS = st.lists(st.floats(0.0, 1e300), min_size=1, max_size=12).filter(any)


@given(st.integers(0, 100_000), WEIGHTS)
def test_shares_keep_their_sum(total: int, weights: list[float]) -> None:
    parts = shared(total, weights)
    assert sum(parts) == total
    assert min(parts) >= 0
    assert all(part == 0 for part, weight in zip(parts, weights, strict=True) if weight == 0.0)


@given(st.integers(0, 10_000), st.lists(st.integers(0, 1000), min_size=1, max_size=12).filter(any))
def test_shares_are_within_one_of_the_exact_ones(total: int, weights: list[int]) -> None:
    # Quota rule of the largest remainder (from memory): each part is the exact share rounded down or up.
    for part, weight in zip(shared(total, [float(w) for w in weights]), weights, strict=True):
        low = total * weight // sum(weights)
        assert low <= part <= low + 1


@st.composite
def tables(draw: st.DrawFn) -> RateTable:
    text = ['title = "t"\nedition = "e"\nwhere = "w"\n']
    text.append(f'rest_extract = "{draw(st.sampled_from(["minimum", "area", "equal", "people"]))}"\n')
    head = '[[row]]\nname = "{}"\ntable = "x"\nunit = "{}"\nseen = "read"\n'
    unit = draw(st.sampled_from(["m3/h", "L/s", "cfm"]))
    text.append(head.format("whole", unit) + f'kind = "dwelling"\nflow = {draw(FLOWS)}\n')
    for kind in sorted({"kitchen"} | draw(st.sets(st.sampled_from(["bathroom", "wc", "utility"])))):
        flow = draw(FLOWS)
        text.append(
            head.format(kind, unit) + f'kind = "room"\nrooms = ["{kind}"]\ndirection = "extract"\nflow = {flow}\n'
        )
    if draw(st.booleans()):
        flow = draw(FLOWS)
        text.append(
            head.format("b", unit) + f'kind = "room"\nrooms = ["bedroom"]\ndirection = "supply"\nflow = {flow}\n'
        )
    return parse_table("".join(text), "t.toml")


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    systems = draw(
        st.sampled_from(
            [
                {"a": "heat-recovery"},
                {"a": "heat-recovery", "b": "heat-recovery"},
                {"a": "heat-recovery", "b": "extract"},
                {"a": "extract"},
                {"a": "supply", "b": "extract"},
                {"a": "natural"},
            ]
        )
    )
    kinds = ["living", "bedroom", "kitchen", "bathroom", "wc", "utility", "hall"]
    rooms: dict[str, RoomWords] = {
        f"R{i}": (draw(st.sampled_from(kinds)), draw(st.floats(1.0, 60.0)), draw(st.integers(0, 5)))
        for i in range(draw(st.integers(1, 8)))
    }
    terminals: list[TerminalWords] = []
    if draw(st.integers(0, 9)):  # mostly a house that can be shared out
        rooms |= {"L": ("living", 20.0, 2), "K": ("kitchen", 10.0, 0)}
        for name, kind in systems.items():
            if kind != "extract":
                terminals.append((f"L{name}", "L", "supply", name))
            if kind != "supply":
                terminals.append((f"K{name}", "K", "extract", name))
    for i in range(draw(st.integers(1, 12))):
        system = draw(st.sampled_from(sorted(systems)))
        both = ("supply", "extract") if systems[system] in ("heat-recovery", "natural") else (systems[system],)
        terminals.append((f"T{i}", draw(st.sampled_from(sorted(rooms))), draw(st.sampled_from(both)), system))
    return plan_of(rooms, terminals, systems)


@given(plans(), tables(), st.sampled_from(["people", "area", "equal"]))
def test_sums_and_minimums(plan: Plan, table: RateTable, by: str) -> None:
    try:
        found = rates(plan, table, by=by)
    except VisitError:  # a side that no rule reaches, or a unit with one side only
        event("refused")
        return
    event("shared")
    flow = {one.terminal: one.design_m3h or 0.0 for one in found.designs}
    assert all(
        one.design_m3h is None or (one.design_m3h > 0.0 and one.design_m3h.is_integer()) for one in found.designs
    )
    for direction, total in (("supply", found.supply_m3h), ("extract", found.extract_m3h)):
        assert sum(flow[t.id] for t in plan.terminals if t.direction == direction) == total
    balanced = [system.name for system in plan.systems if system.kind == "heat-recovery"]
    for name in balanced:
        sides = [
            sum(flow[t.id] for t in plan.terminals if (t.system, t.direction) == (name, d))
            for d in ("supply", "extract")
        ]
        assert sides[0] == sides[1]
    short = {(one.need.where, one.need.direction) for one in found.shorts}
    for need in found.needs:
        if need.where == "dwelling":
            main = [t for t in plan.terminals if not balanced or t.system in balanced]
            for direction in {t.direction for t in main}:
                assert sum(flow[t.id] for t in main if t.direction == direction) >= need.flow_m3h - 1e-6
            continue
        here = [t for t in plan.terminals if (t.room, t.direction) == (need.where, need.direction)]
        if here:
            assert sum(flow[t.id] for t in here) >= need.flow_m3h - 1e-6
        else:
            assert (need.where, need.direction) in short or need.flow_m3h == pytest.approx(0.0, abs=1e-8)
    assert all(math.isfinite(each) for each in flow.values())
    filled = found.filled(plan)
    assert {t.id: t.design_m3h for t in filled.terminals} == {one.terminal: one.design_m3h for one in found.designs}


@given(plans(), tables())
def test_terminals_of_a_room_and_system_are_alike(plan: Plan, table: RateTable) -> None:
    try:
        found = rates(plan, table, by="equal")
    except VisitError:
        return
    groups: dict[tuple[str, str, str], list[float]] = {}
    for one in found.designs:
        groups.setdefault((one.room, one.system, one.direction), []).append(one.design_m3h or 0.0)
    for same in groups.values():
        assert max(same) - min(same) <= 1.0
