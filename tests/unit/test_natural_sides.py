"""What a side without a fan is told: its stack, what the hood took of it, and what is missing to say so.

Check values from outside the program: stacks by dp = p g M / R h (1/To - 1/Ti) and moist air's density, both worked out
apart from it (calc); the hood's law is the one of its file, dp = density / 2 (q / (c A))^2, written out here; the part
of the flow lost at 20 % of the stack is 1 - sqrt(0.8) (q = B (P0 - dp)^0.5).
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.balancing import natural_sides
from hoodtrace.balancing.natural_sides import NaturalSide
from hoodtrace.balancing.whole import whole
from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.visit import Visit
from hoodtrace.physics.hood import read_hood
from hoodtrace.reporting.texts import Words, languages

CODE = Path(natural_sides.__file__).parent
UTC = "2030-01-01T09:00:00.000+00:00"
STACK_PA = 4.323033
"""Of 5 m, 0 C outside, 20 C inside, at 101325 Pa (calc)."""
DENSITY_KG_M3 = 1.1993144
"""CIPM-2007 at 20 C, 50 %, 101325 Pa (calc)."""
C, BORE_M = 0.69, 0.104
"""Of the demo's hood, extract."""
SEA_LEVEL = demo_hood_toml().replace("altitude_m = 330.0", "altitude_m = 0.0")
NO_TAPS = SEA_LEVEL[: SEA_LEVEL.index("[taps]")] + SEA_LEVEL[SEA_LEVEL.index("[placement]") :]
COLD: dict[str, Any] = {"outdoor_c": 0.0, "indoor_c": 20.0, "wind": "light"}


def flow_m3h(hood_pa: float) -> float:
    """The flow at which that hood takes so much."""
    return 3600.0 * C * math.pi / 4.0 * BORE_M**2 * math.sqrt(2.0 * hood_pa / DENSITY_KG_M3)


class House:
    """Two terminals on a natural system and one on a fan's."""

    def __init__(self, folder: Path, height: str = "stack_height_m = 5.0", hood: str = SEA_LEVEL) -> None:
        folder.mkdir()
        text = '[site]\nname = "Alder Row 7"\nopen_flued_appliance = "no"\n'
        text += f'[[system]]\nname = "shaft"\nkind = "natural"\n{height}\n[[system]]\nname = "fan"\nkind = "extract"\n'
        for name, system in (("E1", "shaft"), ("E2", "shaft"), ("E3", "fan")):
            text += f'[[terminal]]\nid = "{name}"\nroom = "room of {name}"\nsystem = "{system}"\n'
            text += 'direction = "extract"\ndesign_m3h = 30.0\n'
        (folder / "visit.toml").write_text(text, encoding="utf-8")
        (folder / "hood.toml").write_text(hood, encoding="utf-8")
        self.visit = Visit(folder)
        self.hood, _ = read_hood(folder / "hood.toml")
        self.visit.decide({"do": "begin"}, UTC)

    def weather(self, **noted: Any) -> None:
        self.visit.decide({"do": "weather", **noted}, UTC)

    def enter(self, terminal: str, flow: float, **more: Any) -> None:
        self.visit.decide({"do": "enter", "terminal": terminal, "flow_m3h": flow, **more}, UTC)

    def natural(self) -> NaturalSide:
        (found,) = whole(self.visit, self.hood).natural
        return found


def keys(found: NaturalSide) -> list[str]:
    return [said.key.removeprefix("house.natural_") for said in found.says]


def said(found: NaturalSide, key: str) -> Say:
    (one,) = [each for each in found.says if each.key == f"house.natural_{key}"]
    return one


def test_the_stack_and_what_the_hood_took_of_it(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.weather(**COLD)
    house.enter("E1", flow_m3h(0.05))
    house.enter("E2", flow_m3h(0.2 * STACK_PA))
    found = house.natural()
    assert (found.system, found.direction, found.missing) == ("shaft", "extract", ())
    assert keys(found) == ["minutes", "u", "stack", "hood", "hood_much"]
    assert found.stack_pa == pytest.approx(STACK_PA, rel=3e-4)
    assert {one.terminal: one.hood_pa for one in found.hoods} == pytest.approx(
        {"E1": 0.05, "E2": 0.2 * STACK_PA}, rel=1e-4
    )
    assert found.hoods[1].lost_rel == pytest.approx(1.0 - math.sqrt(0.8), rel=1e-3)
    # Of the terminal where it took most.
    values = said(found, "hood").values
    assert (values["terminal"], values["lost_rel"]) == ("E2", pytest.approx(0.105573, rel=1e-3))
    assert said(found, "minutes").values == {"wind": "light"}


def test_a_hood_that_takes_little_is_no_fault(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.weather(**COLD)
    house.enter("E1", flow_m3h(0.19))
    assert keys(house.natural()) == ["minutes", "u", "stack", "hood"]


def test_thinner_air_on_a_mountain_drives_less(tmp_path: Path) -> None:
    # ISA: 89874.56 Pa at 1000 m.
    house = House(tmp_path / "v", hood=demo_hood_toml().replace("altitude_m = 330.0", "altitude_m = 1000.0"))
    house.weather(**COLD)
    house.enter("E1", 20.0)
    assert house.natural().stack_pa == pytest.approx(STACK_PA * 89874.56 / 101325.0, rel=3e-4)


@pytest.mark.parametrize(
    ("height", "noted", "missing"),
    [
        ("", COLD, ["stack_height_m"]),
        ("stack_height_m = 5.0", {"indoor_c": 20.0, "wind": "light"}, ["outdoor_c"]),
        ("stack_height_m = 5.0", {"outdoor_c": 0.0, "wind": "light"}, ["indoor_c"]),
        ("", {}, ["stack_height_m", "outdoor_c", "indoor_c"]),
    ],
)
def test_what_is_missing_for_a_stack_is_named(
    tmp_path: Path, height: str, noted: dict[str, Any], missing: list[str]
) -> None:
    house = House(tmp_path / "v", height)
    if noted:
        house.weather(**noted)
    house.enter("E1", flow_m3h(0.5))
    found = house.natural()
    assert list(found.missing) == missing
    assert keys(found) == ["minutes", "u", *(f"missing_{name}" for name in missing), "hood_alone", "hood_much"]
    assert found.stack_pa is None
    assert found.hoods[0].lost_rel is None
    assert said(found, "hood_alone").values["hood_pa"] == pytest.approx(0.5, rel=1e-4)
    assert said(found, "minutes").values == {"wind": noted.get("wind", "not noted")}


def test_a_temperature_noted_after_a_reading_is_not_that_of_the_reading(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.enter("E1", 20.0)
    house.weather(**COLD)
    assert house.natural().missing == ("outdoor_c", "indoor_c")
    house.enter("E2", 20.0)
    assert house.natural().missing == ()


def test_weather_that_changed_between_readings_is_said(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.weather(**COLD)
    house.enter("E1", 20.0)
    house.weather(outdoor_c=10.0, wind="gusty")
    house.enter("E2", 20.0)
    found = house.natural()
    # calc: 3 m from 10 to 20 C give 1.251244 Pa, so 5 m 2.085407.
    assert found.stack_pa == pytest.approx(1.251244 * 5.0 / 3.0, rel=3e-4)
    values = said(found, "changed").values
    assert (values["low_pa"], values["high_pa"]) == (
        pytest.approx(2.085407, rel=3e-4),
        pytest.approx(STACK_PA, rel=3e-4),
    )
    assert said(found, "minutes").values == {"wind": "gusty"}


@pytest.mark.parametrize("outdoor_c", [20.0, 26.0])
def test_with_no_cold_outside_there_is_no_stack(tmp_path: Path, outdoor_c: float) -> None:
    house = House(tmp_path / "v")
    house.weather(outdoor_c=outdoor_c, indoor_c=20.0, wind="calm")
    house.enter("E1", 20.0)
    found = house.natural()
    assert found.stack_pa is not None
    assert (found.stack_pa < 0.0) == (outdoor_c > 20.0)
    assert found.hoods[0].lost_rel is None
    assert keys(found)[2:5] == ["stack", "no_stack", "hood_alone"]


def test_a_hood_that_takes_more_than_the_stack_gives_contradicts_it(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.weather(**COLD)
    house.enter("E1", flow_m3h(1.02 * STACK_PA))
    found = house.natural()
    assert keys(found)[3:] == ["hood_all", "hood_much"]
    assert found.hoods[0].lost_rel == 1.0


def test_a_reading_with_no_back_pressure_and_a_hood_with_no_taps(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.weather(**COLD)
    house.enter("E1", 30.0, hood_off=True)
    found = house.natural()
    assert (keys(found), found.hoods) == (["minutes", "u", "stack"], ())
    blind = House(tmp_path / "w", hood=NO_TAPS)
    blind.weather(**COLD)
    blind.enter("E1", 30.0)
    found = blind.natural()
    assert (keys(found), found.hoods) == (["minutes", "u", "stack", "no_taps"], ())


def test_only_natural_sides_with_readings_are_told(tmp_path: Path) -> None:
    house = House(tmp_path / "v")
    house.weather(**COLD)
    house.enter("E3", 30.0)
    assert whole(house.visit, house.hood).natural == ()
    house.enter("E1", 30.0)
    assert [one.system for one in whole(house.visit, house.hood).natural] == ["shaft"]


def natural_says() -> list[Say]:
    """Whatever can be said of a natural side, each key that the program has, with the values that it gets."""
    source = "".join((CODE / f"{name}.py").read_text("utf-8") for name in ("house_pressure", "natural_sides"))
    named = set(re.findall(r'"(?:house\.)?(natural_\w+)"', source))
    named |= {f"natural_missing_{name}" for name in ("stack_height_m", "outdoor_c", "indoor_c")}
    assert {"natural_stack", "natural_hood", "natural_hood_all", "natural_no_taps", "natural_u"} <= named
    values = {"wind": "gusty", "stack_pa": 4.32, "hood_pa": 0.147, "most_pa": 0.2, "lost_rel": 0.123, "u_rel": 0.08}
    values |= {"height_m": 5.0, "outdoor_c": 0.0, "indoor_c": 20.0, "low_pa": 3.3, "high_pa": 4.3, "terminal": "E1"}
    return [Say(f"house.{name}", values) for name in sorted(named - {"natural_sides"})]


@pytest.mark.parametrize("language", languages())
def test_whatever_is_told_is_said_in_each_language(language: str) -> None:
    words = Words(language)
    for one in natural_says():
        text = words.say(one)
        assert text, one
        assert "{" not in text, one
