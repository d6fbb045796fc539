"""The calibration record and the hood file with new constants: there and back, refusals, comments kept, rounding.

Check values are worked out on paper from the sample's stated constants, or come from the guide to the expression of
uncertainty, 7.2.6 (results rounded to their uncertainty; memory), and the TOML standard library reader.
"""

from __future__ import annotations

import datetime
import json
import math
import tomllib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hoodtrace.calibration.hood_text import new_hood_toml
from hoodtrace.calibration.points import Common, Point, ReferenceFlow
from hoodtrace.calibration.record import MADE_BY, OtherDirection, from_json, record_point, references_of
from hoodtrace.errors import FileError, HoodError, MeasurementError
from hoodtrace.physics.hood import parse_hood
from sample_record import sample_record

HOOD = """\
# my hood, made of a drain pipe
name = "pipe hood 1"  # the old one

[pipe]
bore_mm = 104.0
length_mm = 200.0

[vane]                       # speed
offset_m_s = 0.14
gain_m_s_per_hz = 0.047
start_m_s = 0.25
k = 0.93                     # the k-factor
u_k_rel = 0.02

# extract side: mesh on the front
[vane.extract]
k = 0.90  # a guess

# taps: four of them
[taps]
count = 4
c = 0.71
u_c_rel = 0.025
zero_pa = 0.0
u_zero_pa = 0.02
# end
"""
NEW_VANE: dict[str, Any] = {
    "vane.k": 0.945678,
    "vane.u_k_rel": 0.0123456,
    "vane.dof_k": 5.2345,
    "vane.range_m3h": [20.04, 75.06],
}


def strict(text: str) -> Any:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("n_points", [3, 12])
@pytest.mark.parametrize("both", [False, True])
def test_json_goes_there_and_back(n_points: int, both: bool) -> None:
    record = sample_record(n_points, both=both, name='Haube "ä" \\ αΩ\n')
    text = record.as_json()
    again = from_json(text, "record.json")
    assert again.as_json() == text
    assert again.hood == record.hood
    assert again.fits[0].factor == pytest.approx(record.fits[0].factor, rel=5e-6)  # six digits
    assert again.fits[1].dof == math.inf
    assert (again.date, again.due, again.other) == (record.date, record.due, record.other)


def test_json_says_who_made_it_and_rounds() -> None:
    content = strict(sample_record(3).as_json())
    assert content["made_by"] == "made by the user, not an accredited calibration" == MADE_BY
    assert list(content)[:5] == ["format", "made_by", "hood", "method", "date"]
    assert content["fits"][1]["dof"] is None
    assert content["fits"][0]["factor"] == 0.9312
    assert content["points"][1]["flow_m3h"] == 47.5
    floats = [
        word for word in sample_record(12).as_json().replace(",", " ").split() if word[:1].isdigit() and "." in word
    ]
    assert max(len(word.lstrip("0.").replace(".", "").rstrip("0")) for word in floats) == 6


def test_nothing_in_it_is_called_by_a_bigger_name() -> None:
    words = sample_record(12, both=True).as_json().lower()
    assert "certif" not in words
    assert "safe" not in words


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_refused_with_its_place(value: float) -> None:
    record = sample_record(3)
    fit = replace(record.fits[0], u_factor_rel=value)
    with pytest.raises(MeasurementError, match=r"fits\[0\]\.u_factor_rel is"):
        replace(record, fits=(fit,))
    signal = replace(record.points[1].vane, half_rel=value)  # type: ignore[type-var]
    points = (record.points[0], replace(record.points[1], vane=signal))
    with pytest.raises(MeasurementError, match=r"points\[1\]\.vane\.half_rel"):
        replace(record, points=points)


@pytest.mark.parametrize("dof", [math.nan, -math.inf])
def test_only_infinite_degrees_of_freedom_are_allowed(dof: float) -> None:
    record = sample_record(3)
    with pytest.raises(MeasurementError, match=r"fits\[0\]\.dof"):
        replace(record, fits=(replace(record.fits[0], dof=dof),))


def test_a_fit_without_a_band_in_its_range_is_refused() -> None:
    record = sample_record(3)
    with pytest.raises(MeasurementError, match="no band of k between 91 and 99 m3/h"):
        replace(record, fits=(replace(record.fits[0], range_m3h=(91.0, 99.0)),))


def test_what_the_hood_reads_within_is_the_widest_part_of_the_band() -> None:
    # By the sample's formulas the widest part is at 20 m3/h: (0.02 + 0.2 / 20) / (1 - 0.3 / 20).
    fit = sample_record(3).fits[0]
    assert fit.within_rel == pytest.approx(0.03 / 0.985, rel=1e-12)
    # From 48 m3/h on: (0.02 + 0.2 / 48) / (1 - 0.3 / 48), at the band's first flow inside, 48.
    assert replace(fit, range_m3h=(47.0, 90.0)).within_rel == pytest.approx(
        (0.02 + 0.2 / 48) / (1 - 0.3 / 48), rel=1e-12
    )


def faults() -> dict[str, str]:
    content = json.loads(sample_record(3).as_json())

    def without(key: str) -> str:
        return json.dumps({k: v for k, v in content.items() if k != key})

    return {
        "cut": sample_record(3).as_json()[:-40],
        "a list": "[]",
        "nothing": "",
        "deep": "[" * 100_000,
        "another format": json.dumps({**content, "format": 2}),
        "no maker": without("made_by"),
        "another maker": json.dumps({**content, "made_by": "a laboratory"}),
        "no hood": without("hood"),
        "unknown key": json.dumps({**content, "colour": "red"}),
        "unknown key inside": json.dumps({**content, "hood": {**content["hood"], "colour": "red"}}),
        "word for a number": json.dumps({**content, "hood": {**content["hood"], "bore_mm": "wide"}}),
        "NaN": json.dumps({**content, "hood": {**content["hood"], "bore_mm": math.nan}}),
        "no such direction": sample_record(3).as_json().replace('"supply"', '"up"'),
        "no such day": json.dumps({**content, "date": "2026-02-30"}),
    }


@pytest.mark.parametrize("fault", sorted(faults()))
def test_a_record_that_is_none_is_refused(fault: str) -> None:
    with pytest.raises(FileError, match=r"^box/record\.json: ") as caught:
        from_json(faults()[fault], "box/record.json")
    assert caught.value.exit_code == 4


def test_words_on_the_other_direction() -> None:
    record = sample_record(3)
    assert record.other_words == (
        "The other direction, extract, was only checked, at 45.0 m³/h: there the hood read 2.3 % (± 3.1 %) less "
        "than the reference."
    )
    never = replace(record, other=OtherDirection("extract", "not calibrated"))
    assert "extract, was not calibrated and not checked" in never.other_words
    both = sample_record(4, both=True)
    assert both.other_words.startswith("Both directions")
    assert both.directions == ("supply", "extract")


def point(number: int, kind: str, terms: dict[str, float]) -> Point:
    common = (Common("drum", 0.003), Common("scale", 0.004))
    reference = ReferenceFlow(0.0125, 0.000125, 4.0, common, kind, terms)
    return Point(number, "extract", reference, 1.0, 0.01, None, None, 1.2)


def test_a_point_keeps_own_and_shared_apart() -> None:
    kept = record_point(point(7, "timed bag", {}), None, None)
    assert (kept.number, kept.direction, kept.kind) == (7, "extract", "timed bag")
    assert kept.flow_m3h == pytest.approx(45.0)  # 0.0125 * 3600
    assert kept.u_own_rel == pytest.approx(0.01)
    assert kept.u_common_rel == pytest.approx(0.005)  # 3, 4, 5


def test_references_are_listed_once_with_least_and_most() -> None:
    points = [
        point(1, "timed bag", {"volume": 0.01, "clock": 0.004}),
        point(2, "plate", {"C": 0.006}),
        point(3, "timed bag", {"volume": 0.01, "clock": 0.012, "leak": 0.002}),
    ]
    bag, plate = references_of(points)
    assert (bag.kind, bag.points, plate.kind, plate.points) == ("timed bag", (1, 3), "plate", (2,))
    assert [(t.words, t.u_rel_least, t.u_rel_most) for t in bag.terms] == [
        ("volume", 0.01, 0.01),
        ("clock", 0.004, 0.012),
        ("leak", 0.002, 0.002),
    ]


def test_new_constants_leave_all_the_rest_as_it_was() -> None:
    new = new_hood_toml(
        HOOD, NEW_VANE | {"vane.extract.u_k_rel": 0.03, "taps.exponent": 0.512342, "taps.u_exponent": 0.00456}
    )
    expected = (
        HOOD.replace("k = 0.93     ", "k = 0.9457     ")
        .replace("u_k_rel = 0.02\n", "u_k_rel = 0.0123\ndof_k = 5.23\nrange_m3h = [20.04, 75.06]\n")
        .replace("k = 0.90  # a guess\n", "k = 0.90  # a guess\nu_k_rel = 0.03\n")
        .replace("u_zero_pa = 0.02\n", "u_zero_pa = 0.02\nexponent = 0.51234\nu_exponent = 0.00456\n")
    )
    assert new == expected
    assert new_hood_toml(HOOD, {}) == HOOD


def test_every_key_that_a_calibration_finds_is_accepted() -> None:
    channel = {"vane": ("k", "u_k_rel", "dof_k", "u_offset_m_s", "r_k_offset"),
               "taps": ("c", "u_c_rel", "dof_c", "exponent", "u_exponent", "r_c_exponent")}  # fmt: skip
    changes: dict[str, Any] = {}
    for table in ("vane", "vane.extract", "taps", "taps.extract"):
        values = {
            "k": 0.9,
            "c": 0.7,
            "dof_k": 4.0,
            "dof_c": 5.0,
            "exponent": 0.52,
            "r_k_offset": -0.9,
            "r_c_exponent": 0.1,
        }
        changes |= {f"{table}.{key}": values.get(key, 0.011) for key in channel[table.split(".")[0]]}
        changes[f"{table}.range_m3h"] = [20.0, 80.0]
    changes |= {"placement.u_rel": 0.01234, "placement.dof": 6.0, "resistance.taps_share": 1.023456}
    changes |= {"resistance.u_taps_share_rel": 0.01, "r_k_c": 0.123456789, "directions": ["supply", "extract"]}
    changes |= {"calibration.date": datetime.date(2026, 3, 14), "calibration.due": datetime.date(2027, 3, 14)}
    changes |= {"calibration.method": 'bag "A"\nand plate', "calibration.record": "record.json"}
    changes |= {"calibration.record_sha256": "ab" * 32, "calibration.made_by": MADE_BY}
    text = new_hood_toml(HOOD, changes)
    content = tomllib.loads(text)
    assert content["calibration"]["date"] == datetime.date(2026, 3, 14)
    assert content["calibration"]["method"] == 'bag "A"\nand plate'
    assert content["taps"]["extract"]["exponent"] == 0.52
    assert content["r_k_c"] == 0.12346
    assert content["placement"]["u_rel"] == 0.0123
    for comment in [line.partition("#")[2] for line in HOOD.splitlines() if "#" in line]:
        assert f"#{comment}" in text
    assert parse_hood(text, "hood.toml").vane_for("extract").u_offset_m_s == 0.011  # type: ignore[union-attr]
    assert new_hood_toml(text, changes) == text


def test_windows_lines_and_a_missing_last_line_feed() -> None:
    new = new_hood_toml(HOOD.replace("\n", "\r\n"), {"vane.k": 0.95})
    assert new == HOOD.replace("0.93  ", "0.95  ").replace("\n", "\r\n")
    cut = new_hood_toml(HOOD.removesuffix("\n# end\n"), {"taps.dof_c": 4.0})
    assert tomllib.loads(cut)["taps"]["dof_c"] == 4.0


def test_inline_tables_and_tables_in_two_places() -> None:
    inline = (
        HOOD[: HOOD.index("# taps")]
        + "[taps]\ncount=4\nc=0.7\nu_c_rel=0.1\nzero_pa=0.0\nu_zero_pa=0.1\nextract={c=0.6}\n"
    )
    assert tomllib.loads(new_hood_toml(inline, {"taps.extract.dof_c": 3.0}))["taps"]["extract"] == {
        "c": 0.6,
        "dof_c": 3.0,
    }
    head, extract, taps = HOOD[: HOOD.index("# extract")], "[vane.extract]\nk = 0.9\n", HOOD[HOOD.index("# taps") :]
    apart = head + taps + extract
    got = tomllib.loads(new_hood_toml(apart, {"vane.dof_k": 3.0, "vane.extract.dof_k": 7.0}))["vane"]
    assert (got["dof_k"], got["extract"]) == (3.0, {"k": 0.9, "dof_k": 7.0})


def test_dotted_keys_are_changed_rightly_or_refused() -> None:
    dotted = 'name = "a"\npipe.bore_mm = 104.0\npipe.length_mm = 200.0\n'
    dotted += "".join(
        f"taps.{k} = {v}\n" for k, v in {"count": 4, "c": 0.7, "u_c_rel": 0.1, "zero_pa": 0.0, "u_zero_pa": 0.1}.items()
    )
    assert tomllib.loads(new_hood_toml(dotted, {"taps.c": 0.6}))["taps"]["c"] == 0.6
    with pytest.raises(HoodError, match="dotted keys"):
        new_hood_toml(dotted, {"taps.extract.c": 0.6, "taps.dof_c": 3.0})


def test_a_key_can_be_taken_away() -> None:
    with_exponent = HOOD.replace("c = 0.71\n", "c = 0.71\nexponent = 0.52\ndof_c = 5.0\n")
    new = new_hood_toml(
        with_exponent, {"taps.exponent": None, "taps.dof_c": math.inf, "taps.u_exponent": None, "placement.dof": None}
    )
    assert new == HOOD
    # In an extract table a missing key would mean the plain table's.
    extract = new_hood_toml(with_exponent, {"taps.extract.dof_c": math.inf})
    assert parse_hood(extract, "hood.toml").taps_for("extract").dof_c >= 1e6  # type: ignore[union-attr, operator]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"vane.k": math.nan}, "vane.k"),
        ({"vane.k": -1.0}, "vane.k"),
        ({"vane.kay": 1.0}, "vane.kay"),
        ({"vane.range_m3h": [80.0, 20.0]}, "vane.range_m3h"),
        ({"vane": 3.0}, "vane"),
        ({"vane.k.x": 3.0}, "tables"),
    ],
)
def test_constants_that_no_hood_has_are_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(HoodError, match=words):
        new_hood_toml(HOOD, changes, "hood.toml")
    with pytest.raises(HoodError, match=r"^old\.toml: "):
        new_hood_toml("name =", {"vane.k": 0.9}, "old.toml")


@pytest.mark.parametrize(
    ("k", "u_rel", "wanted"),
    [
        (0.9315678, 0.0214, 0.9316),  # u = 0.0199: three digits of it end at the fourth decimal
        (0.9315678, 0.0014, 0.93157),  # u = 0.00130
        (0.9315678, 0.2, 0.932),  # u = 0.186
        (1.25, 0.0, 1.25),
    ],
)
def test_a_constant_is_rounded_by_its_uncertainty(k: float, u_rel: float, wanted: float) -> None:
    assert tomllib.loads(new_hood_toml(HOOD, {"vane.k": k, "vane.u_k_rel": u_rel}))["vane"]["k"] == wanted


def test_rounding_moves_a_correlated_line_by_far_less_than_its_uncertainty() -> None:
    # k and offset of a line through points around 1.5 m/s: r = -0.99, so there the line is known far better than k is.
    generator = np.random.default_rng(20260314)
    r, u_k_rel, speed_m_s = -0.99, 0.02, 1.5
    u_offset = u_k_rel * speed_m_s  # own derivation: the two parts cancel but for 2 (1 + r)
    u_line_rel = math.sqrt(2.0 * (1.0 + r)) * u_k_rel
    for _ in range(50):
        k, offset = float(generator.uniform(0.8, 1.1)), float(generator.uniform(0.05, 0.3))
        changes = {"vane.k": k, "vane.u_k_rel": u_k_rel, "vane.offset_m_s": offset, "vane.u_offset_m_s": u_offset}
        vane = tomllib.loads(new_hood_toml(HOOD, changes))["vane"]
        moved = vane["k"] * (vane["offset_m_s"] + speed_m_s) / (k * (offset + speed_m_s)) - 1.0
        assert abs(moved) < 0.1 * u_line_rel


def test_a_new_table_inside_a_table_on_one_line() -> None:
    taps = "taps = {count = 4, c = 0.7, u_c_rel = 0.1, zero_pa = 0.0, u_zero_pa = 0.1}\n"
    old = 'name = "a"\n' + taps + "[pipe]\nbore_mm = 104.0\nlength_mm = 200.0\n"
    new = new_hood_toml(old, {"taps.extract.c": 0.6})
    assert tomllib.loads(new)["taps"]["extract"] == {"c": 0.6}
    assert new.replace(", extract = {c = 0.6}", "") == old
