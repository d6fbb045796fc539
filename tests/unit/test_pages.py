"""What the page says of a visit: every sentence of a whole visit can be said, numbers stand where they belong."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import hoodtrace.pages
from hoodtrace.board.firmware_files import firmware_folder
from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.dwelling.screen import Live, Screen
from hoodtrace.dwelling.show import screen
from hoodtrace.dwelling.visit import Visit
from hoodtrace.pages.controls import NotTaken, number_of, text_of
from hoodtrace.pages.facts import changed, facts, row_facts
from hoodtrace.reporting.texts import Words

UTC = "2030-01-01T09:00:00+00:00"
STATIC = Path(hoodtrace.pages.__file__).with_name("static")
STATES = re.findall(r'"([a-z ]+)"', (Live.__doc__ or "").split("`flow_m3h`")[0])
PLAN = """
[site]
name = "Alder Row 7"
[[system]]
name = "unit"
kind = "heat-recovery"
[[setting]]
name = "normal"
[[setting]]
name = "boost"
[[terminal]]
id = "S1"
room = "Living room"
system = "unit"
direction = "supply"
design_m3h = 40.0
height_m = 2.8
design_by_setting = {boost = 60.0}
[[terminal]]
id = "S2"
room = "<i>Study</i>"
system = "unit"
direction = "supply"
design_m3h = 20.0
[[terminal]]
id = "E1"
room = "Hall"
system = "unit"
direction = "extract"
cover = "traverse"
[[terminal]]
id = "E2"
room = "Loft"
system = "unit"
direction = "extract"
cover = "none"
why_not = "behind a wardrobe"
"""
HELD = Live(
    state="steady",
    flow_m3h=44.93,
    expanded_m3h=2.18,
    random_m3h=0.9,
    common_m3h=1.9,
    direction="supply",
    share=0.4,
    left_s=12.2,
    now_m3h=45.6,
    rate_hz=49.7,
)


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    (tmp_path / "traces").mkdir()
    (tmp_path / "visit.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    begun = Visit(tmp_path)
    begun.decide({"do": "begin"}, UTC)
    return begun


def answer(visit: Visit) -> None:
    question = visit.step().question
    assert question is not None
    value: Any = {"choice": question.options[-1:], "text": ("a word",), "number": (7.0,)}.get(question.kind, (None,))[0]
    if question.kind == "valve":
        value = {"position": "gap 6 mm", "locked": "locked"}
    visit.decide({"do": "answer", "question": question.id, "value": value}, UTC)


def read(visit: Visit, doubt: str = "") -> None:
    step = visit.step(past_doubt=True)
    reading = {
        "terminal": step.terminal,
        "trace": "traces/01.trace",
        "hold": visit.state.n_lines,
        "direction": "extract",
        "flow_m3h": 40.0,
        "u_flow_m3h": 1.0,
        "dof": 40.0,
        "expanded_m3h": 2.0,
        "u_random_m3h": 0.3,
        "terms": [["fluctuation of the air", 0.3, 20.0, "reading"], ["k-factor", 0.95, None, "hood"]],
    }
    visit.decide({"do": "reading", "reading": reading, "doubt": doubt}, UTC)


def shown(visit: Visit, words: Words) -> list[Screen]:
    """All that can be shown where the visit stands, said in words: a value that a sentence lacks raises here."""
    out = []
    for state in STATES:
        for turn in ("", "far more", "near less", "there", "past more"):
            seen = screen(visit, replace(HELD, state=state, turn=turn), "too short")
            told = facts(seen, words)
            assert told["sentence"]
            assert "{" not in told["sentence"] + told["sentence_rest"]
            for said in seen.cautions:
                assert words.say(said)
            for row in seen.rows:
                assert row_facts(row, words)["state"]
            out.append(seen)
    return out


def test_every_sentence_of_a_whole_visit_can_be_said(visit: Visit) -> None:
    words, heard, doubted = Words("en"), set(), False
    for _ in range(80):
        heard |= {seen.sentence.key for seen in shown(visit, words)}
        heard |= {seen.last.key for seen in shown(visit, words) if seen.last is not None}
        step = visit.step()
        if step.kind == "question":
            answer(visit)
        elif step.kind == "finish":
            visit.decide({"do": "finish"}, UTC)
        elif step.kind == "finished":
            break
        elif step.terminal == "E1":
            visit.decide({"do": "skip"}, UTC)
        elif step.terminal == "S2" and not doubted:
            doubted = True
            read(visit, "direction")
        else:
            read(visit)
            if step.terminal == "S2":
                visit.decide({"do": "event", "what": "a door"}, UTC)
    assert visit.step().kind == "finished"
    wanted = {"do.go", "do.go_again", "do.go_check", "do.hold", "do.lift", "do.again", "do.no_board", "do.by_hand"}
    wanted |= {"do.traverse", "do.finish", "do.finished", "question.doubt", "question.set", "question.why_not"}
    wanted |= {"question.valve", "question.controls_note", "question.flue_read", "last.reading", "last.pooled"}
    assert wanted <= heard


def test_the_flow_stands_with_its_interval_and_the_hoods_part_beside_it(visit: Visit) -> None:
    words = Words("en")
    while visit.step().kind == "question":
        answer(visit)
    held = facts(screen(visit, HELD), words)
    assert (held["flow"], held["interval"], held["flow_kind"]) == ("44.9", "± 2.2\xa0m³/h", "known")
    assert "± 1.9\xa0m³/h" in held["common"]
    assert (held["share"], held["left"], held["link"]) == (0.4, "about 12\xa0s more", "50 samples a second, none lost")
    free = facts(screen(visit, Live(state="free", flow_m3h=2.3, now_m3h=2.3, rate_hz=50.0, supply_low=True)), words)
    assert (free["flow"], free["flow_kind"], free["interval"]) == ("2.3", "now", "no interval yet")
    assert free["supply"] != ""
    assert held["supply"] == ""
    lost = facts(screen(visit, replace(HELD, n_lost=3, n_missing=1)), words)
    assert lost["link"] == "50 samples a second; 3 lost, 1 still missing"
    assert set(changed(held, lost)) == {"link"}


def test_a_page_without_a_board_shows_no_flow_and_speaks_of_no_samples(visit: Visit) -> None:
    told = facts(screen(visit, Live(state="by hand")), Words("en"))
    assert (told["flow"], told["interval"], told["link"]) == ("", "", "")
    told = facts(screen(visit, Live(state="no board")), Words("en"))
    assert told["link"] == "no samples"


def test_doubts_stand_in_the_row_in_plain_words(visit: Visit) -> None:
    row = screen(visit, HELD).rows[0]
    assert row_facts(row, Words("en"))["flags"] == ""
    flags = ("placements disagree", "channels disagree: tap blocked or tube off", "from log", "never heard of")
    told = row_facts(replace(row, flags=flags), Words("en"))["flags"]
    assert told == "placements disagree, vane and taps disagree, from the board's memory, never heard of"
    german = row_facts(replace(row, flags=flags), Words("de"))["flags"]
    assert german.startswith("Messungen widersprechen sich, Flügelrad und Druck")


FIELD = {"flow": " 22,4 ", "none": "", "word": "many", "grouped": "1_0", "not": "nan", "long": "x" * 600}


def test_a_number_is_refused_in_the_pages_language_with_the_fields_label() -> None:
    words = Words("de")
    label = words("page.enter_flow")
    assert number_of(FIELD, "flow", label, 1.0, 100.0) == 22.4
    assert number_of(FIELD, "none", label, 1.0, 100.0, needed=False) is None
    for name in ("none", "word", "grouped", "not"):
        with pytest.raises(NotTaken) as refused:
            number_of(FIELD, name, label, 1.0, 100.0)
        assert words.say(refused.value.say) == "Bitte eine Zahl von 1 bis 100: Luftmenge, m³/h"
    with pytest.raises(NotTaken):
        number_of(FIELD, "flow", label, 1.0, 22.0)
    with pytest.raises(NotTaken) as refused:
        text_of(FIELD, "long", "Raum", 40)
    assert words.say(refused.value.say) == "Bitte einige Worte, höchstens 40 Zeichen: Raum"


def test_a_target_shows_the_flow_of_this_second_and_where_it_is(visit: Visit) -> None:
    words = Words("en")
    visit.decide({"do": "answer", "question": "open_flue", "value": "no"}, UTC)
    while visit.step().kind == "question":
        answer(visit)
    visit.decide({"do": "target", "terminal": "S1", "target_m3h": 40.0}, UTC)
    places = []
    for now in (30.0, 38.5, 40.0, 41.5, 90.0):
        told = facts(screen(visit, replace(HELD, state="turning", now_m3h=now)), words)
        assert (told["mode"], told["flow"]) == ("turn", f"{now:.1f}")
        places.append(told["strip"])
    low, high = places[0][:2]
    assert [low < place[2] < high for place in places] == [False, True, True, True, False]
    assert places[2][2] == pytest.approx(0.5)  # the target itself is in the middle
    assert places[4][2] == 1.0
    assert told["target"] == "Target 40.0\xa0m³/h (38.0 to 42.0)"


def test_at_a_stop_the_holds_mean_is_shown_and_no_target(visit: Visit) -> None:
    words = Words("en")
    visit.decide({"do": "answer", "question": "open_flue", "value": "no"}, UTC)
    while visit.step().kind == "question":
        answer(visit)
    plain = facts(screen(visit, HELD), words)
    visit.decide({"do": "target", "terminal": "S1", "target_m3h": 40.0, "until": "open"}, UTC)
    told = facts(screen(visit, HELD), words)
    assert told["mode"] == "turn"
    assert (told["strip"], told["target"]) == (None, "")
    for name in ("flow", "flow_of", "interval", "share", "left"):
        assert told[name] == plain[name]


def test_the_pages_tones_are_the_boards() -> None:
    """Source: the firmware's own table."""
    tree = ast.parse((firmware_folder() / "cues.py").read_text(encoding="utf-8"))
    known: dict[str, int] = {}
    table: dict[str, list[int]] = {}
    for node in tree.body:
        if not isinstance(node, ast.Assign):
            continue
        target = node.targets[0]
        if isinstance(target, ast.Tuple):
            known |= dict(zip((ast.unparse(e) for e in target.elts), ast.literal_eval(node.value), strict=True))
        elif ast.unparse(target) == "CUES":
            assert isinstance(node.value, ast.Tuple)
            for cue in node.value.elts:
                assert isinstance(cue, ast.Tuple)
                name, pattern = cue.elts
                assert isinstance(pattern, ast.Tuple)
                numbers = [known[e.id] if isinstance(e, ast.Name) else ast.literal_eval(e) for e in pattern.elts]
                table[ast.literal_eval(name).decode()] = numbers
    script = (STATIC / "sound.js").read_text(encoding="utf-8")
    names = {name: int(value) for name, value in re.findall(r"\b([A-Z]+) = (\d+)", script)}
    page = {
        name: [names[one] if one in names else int(one) for one in pattern.replace(" ", "").split(",")]
        for name, pattern in re.findall(r'^    "([a-z-]+)": \[([^\]]+)\],$', script, re.MULTILINE)
    }
    assert page == table


def test_nothing_that_the_page_loads_comes_from_elsewhere() -> None:
    loaded = [path for path in STATIC.rglob("*") if path.is_file() and path.name != "LICENSE"]
    assert {path.suffix for path in loaded} >= {".js", ".css", ".html"}
    for path in loaded:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        if "vendor" in path.parts:  # whose comments name their sources
            text = re.sub(r"(^|\s)(//|\*).*$", "", text, flags=re.MULTILINE)
        assert not re.search(r"https?://|//[a-z]+\.[a-z]+/|@import", text), path


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, definition (memory)."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("nth", [0, 1], ids=["light", "dark"])
def test_contrast_is_enough(nth: int) -> None:
    """At least 4.5 between text and ground: WCAG 2.2, 1.4.3 level AA (memory)."""
    css = (STATIC / "page.css").read_text(encoding="utf-8")
    block = re.findall(r":root \{([^}]+)\}", css)[nth]
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block))
    for ink, ground in (
        *((ink, ground) for ink in ("ink", "soft", "accent") for ground in ("paper", "sheet", "accent-paper")),
        ("warn", "paper"),
        ("warn", "sheet"),
        ("ink", "warn-paper"),
        ("alarm-ink", "alarm"),
    ):
        light, dark = sorted((luminance(colours[ink]), luminance(colours[ground])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)
