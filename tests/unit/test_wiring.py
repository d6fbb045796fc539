"""The wiring folder says what the firmware does, and its arithmetic is right.

Pin numbers are compared between pins.py, the drawing and the page; parts between the drawing, the page and the parts
list. Every formula on the pages (a span in backquotes with " = ") is reckoned anew, in two systems of units, so that
wrong dimensions show too. Outside values for the reckoning: UM10204's example and a data sheet's table of tube losses.
"""

from __future__ import annotations

import csv
import math
import re
import runpy
from collections import Counter
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from hoodtrace.board.cues import CUES

ROOT = Path(__file__).resolve().parents[2]
WIRING = ROOT / "wiring"
README = (WIRING / "README.md").read_text(encoding="utf-8")
HOOD = (WIRING / "hood.md").read_text(encoding="utf-8")
PINS: dict[str, dict[str, int]] = runpy.run_path(str(ROOT / "firmware_mpy" / "pins.py"))["PINS"]
DRAWING: dict[str, Any] = runpy.run_path(str(WIRING / "drawing.py"))
FITTED = [(part, pin) for pin, parts in DRAWING["FITTED"].items() for part in parts]


def section(heading: str, text: str = README) -> str:
    return text.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def rows(heading: str, first: str) -> list[list[str]]:
    """Rows of the table in a section whose first column is called `first`, without its two heading lines."""
    table = re.search(rf"^ *\| {first} \|.*\n *\|[- |]*\n((?: *\|.*\n)+)", section(heading), re.MULTILINE)
    assert table is not None
    return [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in table[1].splitlines()]


def texts_of_drawing() -> list[str]:
    root = ElementTree.fromstring((WIRING / "wiring.svg").read_bytes())
    return ["".join(text.itertext()).strip() for text in root.iter("{http://www.w3.org/2000/svg}text")]


# The pins


def test_the_drawing_in_the_repository_is_the_one_that_the_code_draws() -> None:
    assert (WIRING / "wiring.svg").read_bytes() == DRAWING["svg"]()


def test_drawing_twice_gives_the_same_bytes() -> None:
    assert DRAWING["svg"]() == DRAWING["svg"]()


def test_each_pin_of_the_firmware_stands_in_the_drawing_with_its_numbers() -> None:
    texts = texts_of_drawing()
    for name, gpio in PINS["rp2"].items():
        at = texts.index(name) if name != "vane" else texts.index(f"GPIO {gpio}") - 1
        assert texts[at : at + 3] == [name, f"GPIO {gpio}", f"ESP32: {PINS['esp32'][name]}"]


def test_the_drawing_has_no_other_pin() -> None:
    text = " | ".join(texts_of_drawing())
    assert sorted(map(int, re.findall(r"GPIO (\d+)", text))) == sorted(PINS["rp2"].values())
    assert sorted(map(int, re.findall(r"ESP32: (\d+)", text))) == sorted(PINS["esp32"].values())


def test_the_page_and_the_pin_table_agree() -> None:
    assert PINS["rp2"].keys() == PINS["esp32"].keys()
    expected = {
        name: [f"GPIO {gpio}", str(DRAWING["board_pin"](gpio)), f"GPIO {PINS['esp32'][name]}"]
        for name, gpio in PINS["rp2"].items()
    }
    assert {row[0]: row[2:] for row in rows("Pins", "name")} == expected


def test_the_form_of_the_40_pin_board() -> None:
    # Memory: ground at each fifth pin from 3 and 23 on, GP0 to GP22 in order round the board, 3.3 V at 36.
    board = DRAWING["BOARD_40"]
    assert [n for n, name in enumerate(board, 1) if name == "GND"] == [3, 8, 13, 18, 23, 28, 33, 38]
    assert [name for name in board if re.fullmatch(r"GP\d+", name)] == [f"GP{n}" for n in [*range(23), 26, 27, 28]]
    assert (len(board), board[35], board[38], board[39]) == (40, "3V3", "VSYS", "VBUS")


# The parts


def test_the_parts_on_the_page_are_those_in_the_drawing() -> None:
    table = re.search(r"^\| name \| value \| pin \| job \|\n.*\n((?:\|.*\n)+)", README, re.MULTILINE)
    assert table is not None
    told = [[cell.strip() for cell in line.strip("|").split("|")] for line in table[1].splitlines()]
    assert told == [[part.name, part.value, pin, part.job] for part, pin in FITTED]
    drawn = " | ".join(texts_of_drawing())
    for part, _ in FITTED:
        assert re.search(rf"{part.name} (\| )?{part.value}", drawn), part


def parts_list() -> list[dict[str, str]]:
    with (WIRING / "parts.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_parts_list_holds_just_what_is_drawn() -> None:
    kinds = {"R": "Resistor", "C": "Capacitor", "Q": "Transistor"}
    needed = Counter(f"{kinds[part.name[0]]} {part.value}" for part, _ in FITTED)
    bought = {part["part"]: part["quantity"] for part in parts_list() if part["need"] == "needed"}
    assert {name: int(bought[name]) for name in needed} == needed
    assert {name for name in bought if name.split()[0] in kinds.values()} == needed.keys()


def test_the_columns_of_the_parts_list_are_told_and_filled() -> None:
    for part in parts_list():
        assert None not in part
        assert all(part.values()), part
        low, high = map(float, part["eur"].split("-"))
        assert 0 < low < high
        assert part["need"] in ("needed", "optional")
    for column in parts_list()[0]:
        assert f"`{column}`" in README.split("\n## ")[0]


# The arithmetic

BASES = ("V", "A", "s", "m", "Pa")
PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}


def units(scales: tuple[float, ...]) -> dict[str, float]:
    """What each unit is worth where the base units are worth `scales`."""
    volt, ampere, second, metre, pascal = scales
    plain = {
        "V": volt, "A": ampere, "s": second, "m": metre, "Pa": pascal,
        "Ω": volt / ampere, "F": ampere * second / volt, "Hz": 1 / second,
    }  # fmt: skip
    found = {prefix + unit: factor * worth for prefix, factor in PREFIXES.items() for unit, worth in plain.items()}
    return found | {"m³": metre**3, "ml": 1e-6 * metre**3, "min": 60 * second, "h": 3600 * second, "%": 0.01}


TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?)(?:\s*(?P<of>[A-Za-zµΩ%³]+))?|(?P<word>[A-Za-zµΩπ%³]+)|(?P<sign>\S))"
)
SIGNS = {"×": "*", "·": "*", "^": "**", "+": "+", "-": "-", "/": "/", "(": "(", ")": ")"}  # noqa: RUF001


def worth(expression: str, known: dict[str, float]) -> float:
    """What an expression with units is worth."""
    found = []
    for token in TOKEN.finditer(expression.strip()):
        if token["number"]:
            found.append(f"({token['number']}*{known[token['of']]!r})" if token["of"] else token["number"])
        elif token["word"]:
            names = {"ln": "log", "sqrt": "sqrt", "π": "pi"}
            found.append(names[token["word"]] if token["word"] in names else repr(known[token["word"]]))
        else:
            found.append(SIGNS[token["sign"]])
    return float(eval("".join(found), {"__builtins__": {}, "log": math.log, "sqrt": math.sqrt, "pi": math.pi}))


SI = units((1.0,) * len(BASES))
OTHER = units((2.0, 3.0, 5.0, 7.0, 11.0))


def formulas(text: str) -> list[tuple[str, str]]:
    spans = re.findall(r"`([^`]+ = [^`]+)`", re.sub(r"\s+", " ", text))
    return [(left, right) for left, _, right in (span.rpartition(" = ") for span in spans)]


def is_right(left: str, right: str) -> bool:
    """Whether the result is the left side rounded to the digits that it shows, whatever the base units are."""
    shown = re.fullmatch(r"(\d+(?:\.(\d+))?)(?: (\S+))?", right)
    assert shown is not None, right
    half_a_digit = 0.5 * 10.0 ** -len(shown[2] or "")
    for known in (SI, OTHER):
        unit = worth(f"1 {shown[3]}", known) if shown[3] else 1.0
        if abs(worth(left, known) / unit - float(shown[1])) > half_a_digit * (1 + 1e-9):
            return False
    return True


@pytest.mark.parametrize(("left", "right"), formulas(README) + formulas(HOOD))
def test_each_formula_gives_what_stands_behind_it(left: str, right: str) -> None:
    assert is_right(left, right), (left, worth(left, SI), right)


def test_no_formula_is_overlooked() -> None:
    assert len(formulas(README)) >= 35
    assert len(formulas(HOOD)) >= 6
    for text in (README, HOOD):
        # A number behind an equals sign outside backquotes would not be reckoned.
        assert not re.search(r"[=≈] *\d", re.sub(r"`[^`]*`", "", text))


def test_the_reckoning_itself() -> None:
    # Seen: a page on I2C pull-ups after UM10204 section 7.1: 3.3 V, 3 mA, 300 ns, 200 pF give 967 and 1770 ohms.
    assert is_right("(3.3 V - 0.4 V) / 3 mA", "967 Ω")
    assert is_right("300 ns / (0.8473 × 200 pF)", "1770 Ω")  # noqa: RUF001
    assert not is_right("(3.3 V - 0.4 V) / 3 mA", "968 Ω")
    assert not is_right("10 nF × 1 kΩ", "10 µA"), "wrong dimension, right digits"  # noqa: RUF001
    # UM10204 section 7.1, seen: 0.8473 is what lies between 30 % and 70 % of the supply.
    assert is_right("ln(1 / (1 - 0.7)) - ln(1 / (1 - 0.3))", "0.8473")


def tube_formula() -> str:
    found = [left for left, _ in formulas(README) if "µPa·s" in left]
    assert len(found) == 1
    return found[0]


def test_tube_losses_are_those_of_the_formula() -> None:
    for bore, lost in rows("Tubes", "bore"):
        assert is_right(tube_formula().replace("4 mm", bore), lost), bore


@pytest.mark.parametrize(("length_m", "lost_pct"), [(0.5, 0.4), (1, 0.8), (2, 1.6), (4, 3.2)])
def test_tube_formula_agrees_with_a_data_sheet(length_m: float, lost_pct: float) -> None:
    # Seen: data sheet of a flow-through pressure chip, section 3.3, hose of 3/16 in bore, given to 0.1 %. Our flow
    # through the chip has two digits: 0.005 of 0.34 is 1.5 %.
    formula = tube_formula().replace("4 mm", "4.7625 mm").replace("1 m /", f"{length_m} m /")
    assert 100 * worth(formula, SI) == pytest.approx(lost_pct, abs=0.05 + 0.015 * lost_pct)


# What is said, and where it comes from


@pytest.mark.parametrize("heading", ["Levels", "The vane's filter", "The two chips' bus", "Tubes", "Static"])
def test_each_statement_about_hardware_says_where_it_comes_from(heading: str) -> None:
    source = r"\((?:formula|sheet|memory|common practice|seen)|not yet seen on hardware|`hoodtrace board --test`"
    points = re.split(r"^- ", section(heading), flags=re.MULTILINE)[1:]
    assert len(points) >= 4
    for point in points:
        assert re.search(source, point), point


def test_each_point_about_the_hood_ends_with_its_source() -> None:
    points = re.split(r"^(?:-|\d+\.) ", HOOD, flags=re.MULTILINE)[1:]
    assert len(points) >= 40
    sources = r"\((?:common practice, no source|arithmetic: `|seen|from memory).*\)$"
    for point in points:
        text = re.sub(r"\s+", " ", point.split("\n\n")[0]).strip()
        assert re.search(sources, text), text


def test_every_assembly_step_ends_in_a_check() -> None:
    steps = re.split(r"^\d+\. ", section("Assembly, with a check after each step"), flags=re.MULTILINE)[1:]
    assert len(steps) >= 12
    for step in steps[:-1]:
        assert step.count("CHECK") == 1, step
    assert "field=true" in steps[-1]
    assert all("field=true" not in step for step in steps[:-1])


def test_settings_and_steps_that_the_pages_name_are_there() -> None:
    settings = (ROOT / "firmware_mpy" / "settings.py").read_text(encoding="utf-8")
    names = set(re.findall(r"--set (\w+)=", README + HOOD))
    assert {"edges_per_rev", "filter_us", "field", "pin_supply"} <= names
    for name in names:
        pin = name.removeprefix("pin_")
        assert f'"{name}":' in settings or (pin != name and pin in PINS["rp2"]), name
    steps = (ROOT / "host" / "hoodtrace" / "board" / "self_test_steps.py").read_text(encoding="utf-8")
    for step in set(re.findall(r"--only (\w+)", README + HOOD)):
        assert f'name = "{step}"' in steps, step


def test_links_lead_to_files() -> None:
    for text in (README, HOOD):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (WIRING / target).is_file(), target


@pytest.mark.parametrize("name", ["README.md", "hood.md", "parts.csv", "drawing.py"])
def test_nothing_is_called_harmless(name: str) -> None:
    assert not re.search(r"\bsafe(ly|ty)?\b", (WIRING / name).read_text(encoding="utf-8"), re.IGNORECASE)


def test_cues_and_times_are_those_of_the_program() -> None:
    assert {row[0]: row[1] for row in rows("Cues and button", "cue")} == dict(CUES)
    button = runpy.run_path(str(ROOT / "firmware_mpy" / "button.py"))
    assert f"lasted {button['LONG_US'] / 1e6:g} s" in section("Cues and button")
    assert f"within {button['SECOND_US'] / 1e6:g} s" in re.sub(r"\s+", " ", section("Cues and button"))
    settings = (ROOT / "firmware_mpy" / "settings.py").read_text(encoding="utf-8")
    for said, pattern in (
        (r"hangs for (\d+) s", r"WATCHDOG_MS = (\d+)_000"),
        (r"by default (\d+) µs", r'"filter_us": \((\d+),'),
        (r"\((\d+) mV by default\)", r'"supply_low_mv": \((\d+),'),
    ):
        assert re.findall(said, re.sub(r"\s+", " ", README)) == re.findall(pattern, settings), said
