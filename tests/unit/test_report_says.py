"""What a report says to its readers: nothing that another page of it contradicts, and nothing that nobody knows."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from hoodtrace.dwelling.customer import Customer
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.visit import Visit
from hoodtrace.reporting.blocks import words_of
from hoodtrace.reporting.report import _placed, make
from hoodtrace.reporting.report_gathered import gathered
from hoodtrace.reporting.report_words import DASH, Options
from hoodtrace.reporting.texts import Words
from reported_visit import UTC, plain_names, plan_toml, traced
from visits_over_time import by_hand
from worlds.second import hood_toml
from worlds.second_hood import Hood

DESIGNS = (30.0, 20.0, 50.0)


def begun(folder: Path, plan: str | None = None) -> Path:
    """A visit of S1, S2 and E1 with nothing read."""
    (folder / "traces").mkdir(parents=True)
    text = plan_toml(plain_names(3), DESIGNS) if plan is None else plan
    (folder / "visit.toml").write_text(text, encoding="utf-8")
    (folder / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    opened = Visit(folder)
    opened.decide({"do": "begin", "software": "hoodtrace 0"}, UTC)
    while (question := opened.step().question) is not None:
        value = {"number": 10.0, "choice": (*question.options, None)[0]}.get(question.kind)
        opened.decide({"do": "answer", "question": question.id, "value": value}, UTC)
    return folder


def read(folder: Path, **flows_m3h: float) -> Path:
    for name, flow in flows_m3h.items():
        append(folder, {**by_hand(name, flow, 0.5, meter="second meter"), "utc": UTC})
    return folder


def words(folder: Path) -> list[str]:
    """All words of a report, in the order of reading."""
    data = _placed(gathered(folder), Options(), None)[1]
    return [word for part in data["parts"] for word in words_of(part)]


def to_do(folder: Path) -> list[str]:
    """What page one says is to be done."""
    data = _placed(gathered(folder), Options(), None)[1]
    (boxes,) = [block["boxes"] for block in data["parts"][0] if block["kind"] == "boxes"]
    return list(boxes[-1]["items"])


def rows(folder: Path, head: str) -> list[list[str]]:
    """The rows of the table whose heads begin with `head` somewhere."""
    data = _placed(gathered(folder), Options(), None)[1]
    tables = [b for part in data["parts"] for b in part if b["kind"] == "table"]
    return next(t["rows"] for t in tables if any(each.startswith(head) for each in t["head"]))


def test_a_visit_that_an_alarm_stopped_says_so_and_sends_nobody_on(tmp_path: Path) -> None:
    folder = read(begun(tmp_path / "visit"), S1=29.0)
    said = Words("en")("refused.stopped")
    assert "The balancing is not finished." in " ".join(words(folder))
    Visit(folder).decide({"do": "alarm"}, UTC)
    stopped = words(folder)
    assert said in stopped
    assert "The balancing is not finished." not in stopped
    Visit(folder).decide({"do": "alarm", "over": True}, UTC)
    assert said not in words(folder)


def test_a_sum_stands_beside_the_design_of_what_is_in_it(tmp_path: Path) -> None:
    folder = read(begun(tmp_path / "visit"), S1=29.0, E1=50.0)
    (supply,) = [word for word in words(folder) if word.startswith("Supply: ") and "now" in word]
    assert "design 30.0" in supply.replace("\u00a0", " ")
    assert "1 of 2" in supply


def test_a_flow_without_the_hood_is_not_called_measured(tmp_path: Path) -> None:
    """What stands there is not what was read: the hood's part is put back."""
    folder = read(begun(tmp_path / "visit"), S1=29.0, S2=21.0, E1=50.0)
    assert "measured, m³/h" not in words(folder)
    assert "now, m³/h" in words(folder)


def test_a_flow_read_with_the_hood_on_is_marked_where_others_are_without(tmp_path: Path) -> None:
    plan = plan_toml(plain_names(3), DESIGNS).replace("design_m3h = 20.0\n", "")
    folder = read(begun(tmp_path / "visit", plan), S1=29.0, S2=21.0, E1=50.0)
    shown = {row[0]: row for row in rows(folder, "verdict")}
    assert [name for name, row in shown.items() if "†" in "".join(row)] == ["S2"]
    notes = [word for word in words(folder) if word.startswith("† ")]
    assert len(notes) == 2, "on page one and on the page to keep"
    assert "hood on" in notes[0]
    assert not any("†" in word for word in words(read(begun(tmp_path / "other"), S1=29.0, S2=21.0, E1=50.0)))


def test_channels_are_shown_with_what_they_are_called_with(tmp_path: Path) -> None:
    """Behind a channel's flow stands u, and ± is for intervals of 95 % alone."""
    folder = traced(tmp_path / "visit", 2, 31)
    g = gathered(folder)
    averaged = [one.outcome.averaged for one in g.readings if one.counts and one.outcome is not None]
    said = [word for word in words(folder) if word.startswith("vane ")]
    assert len(said) == len(averaged) > 0
    for word, one in zip(said, averaged, strict=True):
        assert one.u_vane_m3_s is not None
        assert "±" not in word
        assert f"(u\u00a0{one.u_vane_m3_s * 3600.0:.3f})" in word


def test_how_far_readings_lie_apart_is_not_told_where_nobody_knows(tmp_path: Path) -> None:
    """Of a typed reading's uncertainty nobody knows which part is new in each: nought would be a claim."""
    folder = read(begun(tmp_path / "visit"), S1=29.0, S2=21.0, E1=50.0)
    for row in rows(folder, "same hood"):
        assert row[2] == DASH
        assert float(row[3]) == pytest.approx(math.sqrt(2.0) * 1.96 * 0.5, abs=0.05)  # shown to a tenth


def test_readings_apart_have_the_degrees_of_freedom_that_they_have(tmp_path: Path) -> None:
    """By hand from the terms of the journal: Welch-Satterthwaite, JCGM 100:2008 G.4.1, of both readings; scipy's t."""
    from scipy.stats import t as student

    folder = traced(tmp_path / "visit", 3, 32)
    entries = {p.terminal: p.entry for p in Visit(folder).state.placements}
    shown = {row[0]: row for row in rows(folder, "same hood")}
    assert shown.keys() == entries.keys()
    for name, entry in entries.items():
        own = [(u, dof) for _, u, dof, scope in entry["terms"] if scope != "hood"]
        u = math.sqrt(math.fsum(u**2 for u, _ in own))
        loose = math.fsum(u**4 / dof for u, dof in own if dof is not None)
        same = student.ppf(0.975, 2.0 * u**4 / loose) * math.sqrt(2.0) * u
        other = student.ppf(0.975, 2.0 * entry["dof"]) * math.sqrt(2.0) * entry["u_flow_m3h"]
        assert float(shown[name][2]) == pytest.approx(same, rel=0.06)
        assert float(shown[name][3]) == pytest.approx(other, rel=0.06)


def test_without_names_a_typed_source_of_design_flows_is_left_out(tmp_path: Path) -> None:
    for n, (source, stays) in enumerate(
        (("as Ada wished", False), ("Approved Document F, volume 1, 2021: share", True))
    ):
        plan = plan_toml(plain_names(3), DESIGNS).replace(
            "design_m3h = 30.0", f"design_m3h = 30.0\ndesign_from = {json.dumps(source)}"
        )
        folder = begun(tmp_path / f"visit{n}", plan)
        made = make(folder, Options(names=False), None)
        head = source.partition(":")[0]
        assert (head in made.html.decode()) == stays
        assert head in make(folder, Options(), None).html.decode()


def test_a_sum_and_its_interval_have_the_same_digits(tmp_path: Path) -> None:
    folder = read(begun(tmp_path / "visit"), S1=29.0, S2=21.0, E1=150.0)
    for unit in ("m3h", "ls"):
        data = _placed(gathered(folder), Options(unit=unit), None)[1]
        said = [word for part in data["parts"] for word in words_of(part) if " now, " in word]
        assert len(said) == 2
        for word in said:
            flow, half = re.findall(r"([\d.]+)\u00a0(?:m³/h|L/s)", word)[:2]
            assert len(flow.partition(".")[2]) == len(half.partition(".")[2]), word


def test_the_lines_of_an_address_do_not_run_together(tmp_path: Path) -> None:
    folder = begun(tmp_path / "visit")
    data = _placed(gathered(folder), Options(), Customer("Ada Invented", "Larkmoor Terrace 4\n\n12 Nowhere\n"))[1]
    assert "Larkmoor Terrace 4, 12 Nowhere" in [word for part in data["parts"] for word in words_of(part)]


def test_of_a_side_that_nobody_read_no_sum_and_no_verdict_is_a_fact(tmp_path: Path) -> None:
    folder = begun(tmp_path / "visit")
    assert make(folder, Options(), None).facts["sides"] == []
    (side,) = make(read(folder, S1=29.0), Options(), None).facts["sides"]
    assert side["side"] == "supply"
    assert side["sum_m3h"] > 0.0


def test_nought_has_no_minus() -> None:
    assert [Words("en").number(value, 1) for value in (-0.04, 0.0, -0.06)] == ["0.0", "0.0", "\N{MINUS SIGN}0.1"]


def test_page_one_warns_of_more_drawn_out_than_comes_in_where_that_is_sure(tmp_path: Path) -> None:
    """A house with extract alone draws in soil gas for certain; one in balance is not frightened."""
    plan = '[site]\nname = "Alder Row 7"\nopen_flued_appliance = "no"\nvolume_m3 = 250.0\nn50_per_h = 3.0\n'
    plan += '[[system]]\nname = "fan"\nkind = "extract"\n[[terminal]]\nid = "E1"\nroom = "Bathroom"\nsystem = "fan"\n'
    plan += 'direction = "extract"\ndesign_m3h = 50.0\n'
    folder = begun(tmp_path / "extract", plan)
    read(folder, E1=50.0)
    said = Words("en")("house.under_pressure")
    assert said in to_do(folder)
    even = read(begun(tmp_path / "even"), S1=30.0, S2=20.0, E1=50.0)
    assert said not in to_do(even)


def test_cautions_that_exclude_each_other_say_that_it_is_not_known_which(tmp_path: Path) -> None:
    even = words(read(begun(tmp_path / "even"), S1=30.0, S2=20.0, E1=50.0))
    both = [Words("en")(f"house.{one}_pressure") for one in ("under", "over")]
    at = even.index(Words("en")("report.either_way"))
    assert sorted(even[at + 1 : at + 3]) == sorted(both)
