"""The list to prepare a visit: what stands in it, the climbs to expect, and its page.

Contract: climbs are the medians of own simulations of 300 dwellings a size (8, 18, 27, 38 for 4, 8, 12, 16 terminals;
balancing notes of the project; seen), sizes between computed on paper. The page's text is read back by pypdf, its
edges by pypdfium2, which know nothing of what made it.
"""

from __future__ import annotations

import datetime
import io
import itertools
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader

from hoodtrace.board.scenario import demo_visit_toml
from hoodtrace.dwelling.plan import Appliance, Plan, Site, System, Terminal, parse_plan
from hoodtrace.dwelling.prepare import Preparation, as_lines, expected_climbs, preparation
from hoodtrace.reporting.prepare_page import prepare_pdf, prepare_png

DATE = datetime.date(2026, 3, 14)
DEMO = parse_plan(demo_visit_toml(), "visit.toml")


def terminals(n: int, system: str = "unit", direction: Any = None, **more: Any) -> tuple[Terminal, ...]:
    ways = ("supply", "extract")
    return tuple(
        Terminal(f"{system}{i}", f"Room {i}", system, direction or ways[i % 2], 30.0, **more) for i in range(1, n + 1)
    )


def plan_of(n: int, **more: Any) -> Plan:
    return Plan(Site("Alder Row 7"), (System("unit", "heat-recovery"),), terminals(n, **more))


def text(plan: Plan) -> str:
    return "\n".join(as_lines(preparation(plan)))


def page_text(content: bytes) -> str:
    pages = PdfReader(io.BytesIO(content)).pages
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages).replace("\u200b", ""))


def joined(words: str) -> str:
    return re.sub(r"[\s\u200b]+", "", words)


@pytest.mark.parametrize(("n", "median", "nine"), [(4, 8, 12), (8, 18, 25), (12, 27, 34), (16, 38, 49)])
def test_simulated_sizes_give_the_simulated_climbs(n: int, median: int, nine: int) -> None:
    climbs = expected_climbs(plan_of(n))
    assert (climbs.n_measure, climbs.n_least, climbs.n_median, climbs.n_nine_of_ten) == (n, 2 * n - 1, median, nine)
    assert not climbs.beyond


@pytest.mark.parametrize(
    ("n", "median"),
    [(6, 13), (10, 23), (9, 21), (14, 33), (20, 49)],  # 22.5 and 20.25 and 32.5 rounded up; 38 + 11 beyond 16
)
def test_other_sizes_lie_on_straight_lines(n: int, median: int) -> None:
    assert expected_climbs(plan_of(n)).n_median == median
    assert expected_climbs(plan_of(n)).beyond is (n > 16)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_small_systems_take_what_is_least(n: int) -> None:
    climbs = expected_climbs(plan_of(n))
    assert climbs.n_median == climbs.n_least == 2 * n - 1
    assert climbs.beyond


def test_more_terminals_never_take_fewer_climbs() -> None:
    medians = [expected_climbs(plan_of(n)).n_median for n in range(1, 60)]
    assert all(later > earlier for earlier, later in itertools.pairwise(medians))


def test_natural_systems_are_only_measured_settings_measure_again_and_what_is_left_out_is_no_climb() -> None:
    natural = Plan(Site("a"), (System("stack", "natural"),), terminals(5, "stack", "extract"))
    assert expected_climbs(natural).n_median == expected_climbs(natural).n_measure == 5
    assert "To measure and set" not in text(natural)
    assert "How high is the stack of stack" in text(natural)
    known = replace(natural, systems=(System("stack", "natural", stack_height_m=5.5),))
    assert "How high is the stack" not in text(known)
    assert "natural, no fan, 5 terminals, stack of 5.5 m" in text(known)
    two = replace(plan_of(8), settings=("normal", "boost"))
    assert (expected_climbs(two).n_measure, expected_climbs(two).n_median) == (16, 18 + 8)
    left = replace(plan_of(9), terminals=(*terminals(8), *terminals(1, "x", cover="none", why_not="walled in")))
    left = replace(left, terminals=tuple(replace(t, system="unit") for t in left.terminals))
    assert expected_climbs(left) == expected_climbs(plan_of(8))
    none = plan_of(2, cover="none", why_not="walled in")
    assert preparation(none).climbs is None
    assert "No terminal can be measured." in text(none)


def test_the_estimate_says_that_it_is_one_and_where_it_comes_from() -> None:
    words = text(DEMO)
    assert "an estimate: about 27" in words
    assert "own simulations of 300 houses a size: 4, 8, 12 and 16 terminals took 8, 18, 27 and 38 climbs" in words
    assert "not simulated" not in words
    assert "not simulated" in text(plan_of(20))


def test_every_terminal_stands_in_walking_order_with_height_and_way_of_measuring() -> None:
    plan = plan_of(5)
    changes: list[dict[str, Any]] = [
        {"height_m": 2.4},
        {"height_m": 2.51, "cover": "parts"},
        {"height_m": 2.5, "cover": "traverse", "free_area_cm2": 120.0},
        {"cover": "none", "why_not": "behind a cupboard", "height_m": 3.0},
        {"damp": True, "design_m3h": None, "note": "key with the porter"},
    ]
    plan = replace(plan, terminals=tuple(replace(t, **c) for t, c in zip(plan.terminals, changes, strict=True)))
    found = preparation(plan)
    assert [stop.id for stop in found.stops] == [t.id for t in plan.terminals]
    assert [stop.height for stop in found.stops] == ["2.4 m", "2.51 m", "2.5 m", "3 m", "height not known"]
    assert [stop.above_reach for stop in found.stops] == [False, True, False, False, False]
    assert "several placements" in found.stops[1].measure
    assert "hand traverse" in found.stops[2].measure
    assert "120 cm²" in found.stops[2].measure
    assert found.stops[3].measure == "left out: behind a cupboard"
    assert "damp room" in found.stops[4].measure
    assert "key with the porter" in found.stops[4].measure
    assert found.second_person == ("Above 2.5 m: unit2 (2.51 m).", "Height not known: unit5.")
    assert any("pole" in item for item in found.kit)
    assert any("anemometer" in item for item in found.kit)
    assert "No design flow yet: unit5" in found.ask
    assert "How high: unit5" in found.ask


def test_who_may_touch_the_unit_is_said_or_asked() -> None:
    assert "Who may touch the unit: not known" in text(DEMO)
    assert any("Who may touch" in each for each in preparation(DEMO).ask)
    told = replace(DEMO, systems=(replace(DEMO.systems[0], access="the installer only"),))
    assert "Who may touch the unit: the installer only" in text(told)
    assert not any("Who may touch" in each for each in preparation(told).ask)


def test_the_flues_cautions_stand_unless_a_flue_is_excluded() -> None:
    assert preparation(DEMO).flue_cautions == ()
    assert "carbon monoxide alarm" not in preparation(DEMO).kit
    for plan in (
        replace(DEMO, site=replace(DEMO.site, open_flued_appliance="unknown")),
        replace(DEMO, appliances=(Appliance("stove", "Living room", "fireplace"),)),
    ):
        words = text(plan)
        assert "no step may leave extract above supply" in words
        assert "carbon monoxide alarm" in preparation(plan).kit
        assert "leave, call" in words


def everything() -> list[Plan]:
    flue = replace(DEMO, site=replace(DEMO.site, open_flued_appliance="unknown"))
    natural = Plan(Site("a"), (System("stack", "natural"),), terminals(5, "stack", "extract", cover="traverse"))
    return [DEMO, flue, natural, plan_of(20), plan_of(1, cover="none", why_not="x")]


def test_each_caution_stands_once_and_the_word_that_promises_never() -> None:
    for plan in everything():
        words = text(plan)
        for caution in ("both feet level", "never on a leaning ladder", "second person, or the hood on a pole",
                        "trips nobody", "before a cover comes off", "Gloves and mask for", "asbestos"):  # fmt: skip
            assert words.count(caution) == 1
        assert not re.search(r"\bsafe", words + page_text(prepare_pdf(plan, DATE)), re.IGNORECASE)


def words_of(found: Preparation) -> list[str]:
    parts = [found.systems, found.second_person, found.flues, found.ask, found.kit, found.climb_words, found.cautions]
    stops = [word for s in found.stops for word in (s.id, s.room, s.direction, s.design, s.height, s.measure)]
    return [found.site, found.about, *(word for part in parts for word in part), *found.flue_cautions, *stops]


def test_the_page_has_every_word_of_the_list() -> None:
    for plan in everything():
        shown = joined(page_text(prepare_pdf(plan, DATE)))
        assert [word for word in words_of(preparation(plan)) if joined(word) not in shown] == []


def test_same_plan_same_bytes_one_page_a4() -> None:
    content = prepare_pdf(DEMO, DATE)
    assert prepare_pdf(DEMO, DATE) == content
    assert prepare_pdf(DEMO, datetime.date(2026, 3, 15)) != content
    (page,) = PdfReader(io.BytesIO(content)).pages
    # A4 is 210 mm x 297 mm (ISO 216; memory), a point 1/72 inch.
    size_mm = [float(length) * 25.4 / 72.0 for length in page.mediabox[2:]]
    assert size_mm == pytest.approx([210.0, 297.0], abs=0.1)
    (picture,) = prepare_png(DEMO, DATE)
    assert picture.startswith(b"\x89PNG")


def ink_in_the_margins(content: bytes) -> bool:
    """Whether anything is drawn within 10 mm of an edge."""
    pages = pypdfium2.PdfDocument(content)
    for i in range(len(pages)):
        grey = np.asarray(pages[i].render(scale=1.0).to_pil().convert("L"))
        edge = round(10.0 / 25.4 * 72.0)
        if min(grey[:, :edge].min(), grey[:, -edge:].min(), grey[:edge].min(), grey[-edge // 2 :].min()) < 250:
            return True
    return False


def test_sixty_terminals_take_two_pages_and_none_is_lost() -> None:
    plan = replace(plan_of(60, height_m=2.4), systems=(System("unit", "heat-recovery"), System("other", "extract")))
    content = prepare_pdf(plan, DATE)
    pages = PdfReader(io.BytesIO(content)).pages
    assert len(pages) == 2
    shown = page_text(content)
    assert [t.id for t in plan.terminals if not re.search(rf"\b{t.id}\b", shown)] == []
    assert not ink_in_the_margins(content)


def test_many_fan_settings_leave_room_for_the_other_columns() -> None:
    settings = ("normal", *(f"step {i}" for i in range(1, 20)))
    flows = {name: 31.5 + i for i, name in enumerate(settings[1:])}
    plan = replace(plan_of(12, design_by_setting=flows, note="behind the door"), settings=settings)
    content = prepare_pdf(plan, DATE)
    assert len(PdfReader(io.BytesIO(content)).pages) <= 2
    shown = page_text(content)
    assert all(f"{flow:g}" in shown for flow in flows.values())
    assert not ink_in_the_margins(content)


def test_long_names_markup_and_odd_letters_stand_on_the_page_as_typed() -> None:
    name = '#panic() *b* _i_ $x^2$ <b> "q" [a] \\n ' + "W" * 80
    plan = replace(
        DEMO,
        site=replace(DEMO.site, name=name),
        terminals=tuple(replace(t, id="W" * 60 + t.id, room=name, note="n" * 300) for t in DEMO.terminals[:3]),
    )
    content = prepare_pdf(plan, DATE)
    shown = joined(page_text(content))
    assert joined(name) in shown
    assert all(t.id in shown for t in plan.terminals)
    assert "n" * 300 in shown
    assert not ink_in_the_margins(content)
    odd = replace(DEMO, site=replace(DEMO.site, name="中 house \u202e"))
    words = page_text(prepare_pdf(odd, DATE))
    assert "[U+4E2D] house [U+202E]" in words
    assert "shown by their code (U+4E2D, U+202E)" in words
