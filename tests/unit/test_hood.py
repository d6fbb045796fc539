"""The hood file: each fault in each key is refused, with the key's path in the error and in its words.

Contract: the example is the fixed format's own (hood file); every key in it and every optional key is spoiled in
turn. No check value comes from the package.
"""

from __future__ import annotations

import copy
import hashlib
from math import log, pi
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.errors import HoodError
from hoodtrace.physics.hood import parse_hood, read_hood

# The example of the hood file's format, comments left out.
EXAMPLE: dict[str, Any] = {
    "name": "pipe hood 1",
    "pipe": {"bore_mm": 104.0, "length_mm": 200.0},
    "vane": {"offset_m_s": 0.14, "gain_m_s_per_hz": 0.047, "start_m_s": 0.25, "k": 0.93, "u_k_rel": 0.02},
    "taps": {"count": 4, "c": 0.71, "u_c_rel": 0.025, "zero_pa": 0.0, "u_zero_pa": 0.02,
             "reference_pressure_pa": 96600},
}  # fmt: skip
WHOLE: dict[str, Any] = {
    **EXAMPLE,
    "directions": ["supply"],
    "r_k_c": 0.3,
    "altitude_m": 200.0,
    "placement": {"u_rel": 0.01, "dof": 7.0},
    "resistance": {"taps_share": 1.2, "u_taps_share_rel": 0.05},
    "vane": {**EXAMPLE["vane"], "response_length_m": 0.4, "edges_per_rev": 4, "extract": {"k": 0.9},
             "dof_k": 5.5, "u_offset_m_s": 0.01, "r_k_offset": -0.8, "range_m3h": [15.0, 90.0]},
    "taps": {**EXAMPLE["taps"], "extract": {"c": 0.75, "zero_pa": -0.01},
             "dof_c": 4.0, "exponent": 0.51, "u_exponent": 0.01, "r_c_exponent": -0.3, "range_m3h": [15.0, 90.0]},
}  # fmt: skip
CALIBRATED = {
    "vane": ("dof_k", "u_offset_m_s", "r_k_offset"),
    "taps": ("dof_c", "exponent", "u_exponent", "r_c_exponent"),
    "placement": ("dof",),
    "resistance": ("taps_share", "u_taps_share_rel"),
}
NUMBERS = [
    *(f"pipe.{key}" for key in EXAMPLE["pipe"]),
    *(f"vane.{key}" for key in EXAMPLE["vane"]),
    *(f"taps.{key}" for key in EXAMPLE["taps"]),
    "vane.response_length_m",
    "vane.edges_per_rev",
    "placement.u_rel",
    "r_k_c",
    "altitude_m",
    *(f"{table}.{key}" for table, keys in CALIBRATED.items() for key in keys),
    *(f"{table}.extract.{key}" for table in ("vane", "taps") for key in CALIBRATED[table]),
    *(f"vane.extract.{key}" for key in EXAMPLE["vane"]),
    *(f"taps.extract.{key}" for key in EXAMPLE["taps"]),
]
OPTIONAL = {"taps.reference_pressure_pa"}
NEEDED = [
    "name",
    "pipe",
    *(path for path in NUMBERS[: NUMBERS.index("vane.response_length_m")] if path not in OPTIONAL),
]
SIGNED = {"taps.zero_pa", "taps.extract.zero_pa", "altitude_m", "r_k_c"}
SIGNED |= {f"{table}.{key}" for table in ("vane", "vane.extract") for key in ("r_k_offset",)}
SIGNED |= {f"{table}.r_c_exponent" for table in ("taps", "taps.extract")}
MUST_BE_ABOVE_0 = ["pipe.bore_mm", "pipe.length_mm", "vane.gain_m_s_per_hz", "vane.k", "taps.c", "taps.count",
                   "taps.reference_pressure_pa", "vane.response_length_m", "vane.edges_per_rev",
                   "vane.dof_k", "taps.dof_c", "taps.exponent", "placement.dof", "resistance.taps_share"]  # fmt: skip


def toml(content: dict[str, Any], above: str = "") -> str:
    """Plain values first, then each table under its own path."""
    lines = [f"[{above}]"] if above else []
    for key, value in content.items():
        if not isinstance(value, dict):
            lines.append(f"{key} = {value!r}".replace("'", '"'))
    tables = [toml(v, f"{above}.{k}".lstrip(".")) for k, v in content.items() if isinstance(v, dict)]
    return "\n".join([*lines, *tables])


def changed(path: str, value: object) -> str:
    """The whole example with `path` set; value None: taken out."""
    content = copy.deepcopy(WHOLE)
    *tables, key = path.split(".")
    at = content
    for name in tables:
        at = at[name]
    if value is None:
        del at[key]
    else:
        at[key] = value
    return toml(content)


def refusal(text: str) -> HoodError:
    with pytest.raises(HoodError) as caught:
        parse_hood(text, "some/hood.toml")
    assert str(caught.value).startswith("some/hood.toml: ")
    return caught.value


@pytest.mark.parametrize("path", NEEDED)
def test_a_missing_key_is_named(path: str) -> None:
    error = refusal(changed(path, None))
    assert error.keys == (path,)
    assert f"key {path} is missing" in str(error)


@pytest.mark.parametrize("path", [path for path in NUMBERS if path not in SIGNED])
def test_a_negative_value_is_named(path: str) -> None:
    whole = path.endswith(("count", "edges_per_rev"))
    error = refusal(changed(path, -1 if whole else -0.5))
    assert error.keys == (path,)
    assert f"key {path} = -" in str(error)


@pytest.mark.parametrize("path", NUMBERS)
@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_a_value_that_is_no_number_is_named(path: str, value: str) -> None:
    error = refusal(changed(path, float(value)))
    assert error.keys == (path,)
    assert path in str(error)


@pytest.mark.parametrize("path", NUMBERS)
@pytest.mark.parametrize("value", ["0.7", True])
def test_a_value_of_another_kind_is_named(path: str, value: object) -> None:
    text = changed(path, value).replace("True", "true")
    assert refusal(text).keys == (path,)


@pytest.mark.parametrize("path", MUST_BE_ABOVE_0)
def test_nothing_where_something_is_needed_is_named(path: str) -> None:
    assert refusal(changed(path, 0 if path.endswith(("count", "per_rev")) else 0.0)).keys == (path,)


@pytest.mark.parametrize("table", ["", "pipe.", "vane.", "taps.", "placement.", "vane.extract.", "taps.extract."])
def test_an_unknown_key_is_named(table: str) -> None:
    error = refusal(changed(f"{table}colour", 1.0))
    assert error.keys == (f"{table}colour",)
    assert f"key {table}colour is unknown" in str(error)


def test_every_fault_is_named_at_once() -> None:
    text = changed("vane.k", float("nan")).replace("bore_mm = 104.0", "bore_mm = -1.0")
    assert set(refusal(text).keys) == {"vane.k", "pipe.bore_mm"}


@pytest.mark.parametrize("value", [-1.01, 1.01])
@pytest.mark.parametrize("key", ["r_k_c", "vane.r_k_offset", "taps.r_c_exponent"])
def test_a_correlation_beyond_one_is_refused(key: str, value: float) -> None:
    assert refusal(changed(key, value)).keys == (key,)


@pytest.mark.parametrize("key", ["vane.range_m3h", "taps.range_m3h", "vane.extract.range_m3h"])
@pytest.mark.parametrize(
    "ends", [[90.0, 15.0], [15.0, 15.0], [15.0], [15.0, 50.0, 90.0], [-15.0, 90.0], [0.0, 90.0], 15.0]
)
def test_a_range_that_is_none_is_refused(key: str, ends: object) -> None:
    (fault,) = refusal(changed(key, ends)).keys
    assert fault.startswith(key)


def test_what_a_calibration_says_of_itself() -> None:
    said = '[calibration]\ndate = 2026-11-25\ndue = 2027-11-25\nmethod = "timed bag"\nmade_by = "the user"\n'
    hood = parse_hood(f"{toml(WHOLE)}\n{said}", "hood.toml")
    assert hood.calibration is not None
    assert (hood.calibration.date.isoformat(), hood.calibration.due.year) == ("2026-11-25", 2027)
    assert refusal(f"{toml(WHOLE)}\n{said.replace('2026-11-25', 'true')}").keys == ("calibration.date",)


def test_uncertainty_of_two_terms() -> None:
    """Propagation by hand, JCGM 100:2008 5.2.2: u^2 = (v u_k)^2 + u_o^2 + 2 r v u_k u_o."""
    hood = parse_hood(toml(WHOLE), "hood.toml")
    vane, taps = hood.vane, hood.taps
    assert vane is not None
    assert taps is not None
    assert vane.u_scale_m_s(2.0) == pytest.approx((0.04**2 + 0.01**2 - 1.6 * 0.04 * 0.01) ** 0.5)
    by_exponent = 0.01 * log(3.0)
    wanted = (0.025**2 + by_exponent**2 - 0.6 * 0.025 * by_exponent) ** 0.5
    assert taps.u_scale_rel(3.0) == pytest.approx(wanted)
    assert taps.u_scale_rel(1.0) == pytest.approx(0.025)


def test_an_unknown_direction_is_refused() -> None:
    (key,) = refusal(changed("directions", ["sideways"])).keys
    assert key.startswith("directions")


def test_signs_that_mean_something_are_kept() -> None:
    hood = parse_hood(changed("taps.zero_pa", -0.03), "hood.toml")
    assert hood.taps is not None
    assert hood.taps.zero_pa == -0.03
    assert parse_hood(changed("r_k_c", -0.5), "hood.toml").r_k_c == -0.5
    assert parse_hood(changed("altitude_m", -3.0), "hood.toml").altitude_m == -3.0


def test_a_file_cut_anywhere_is_refused() -> None:
    whole = toml(EXAMPLE)
    for end in range(whole.index("u_zero_pa")):
        cut = whole[:end]
        # A cut behind the whole [vane] table leaves a hood without taps, which is one.
        if "u_k_rel = 0" in cut and "[" not in cut[cut.index("u_k_rel") :]:
            continue
        refusal(cut)


def test_the_last_value_cut_in_the_middle_is_no_toml() -> None:
    error = refusal(toml(EXAMPLE).removesuffix("96600"))
    assert error.keys == ()
    assert "not a whole TOML file" in str(error)


def test_a_decimal_comma_is_named() -> None:
    assert "`k = 0,93` has a decimal comma" in str(refusal(toml(EXAMPLE).replace("k = 0.93", "k = 0,93")))


@pytest.mark.parametrize("path", ["vane.k", "taps.c"])
def test_a_lost_decimal_point_is_refused(path: str) -> None:
    assert refusal(changed(path, 93.0)).keys == (path,)


def test_extract_tables_take_what_they_lack_from_the_plain_ones() -> None:
    hood = parse_hood(toml(WHOLE), "hood.toml")
    vane, taps = hood.vane_for("extract"), hood.taps_for("extract")
    assert vane is not None
    assert taps is not None
    assert (vane.k, vane.offset_m_s, vane.response_length_m) == (0.9, 0.14, 0.4)
    assert (taps.c, taps.zero_pa, taps.u_c_rel, taps.reference_pressure_pa) == (0.75, -0.01, 0.025, 96600)
    for direction in ("supply", "unknown"):
        vane, taps = hood.vane_for(direction), hood.taps_for(direction)
        assert vane is not None
        assert taps is not None
        assert (vane.k, taps.c, taps.zero_pa) == (0.93, 0.71, 0.0)


@pytest.mark.parametrize(("there", "not_there"), [("vane", "taps"), ("taps", "vane")])
def test_one_channel_is_enough(there: str, not_there: str) -> None:
    hood = parse_hood(toml({key: value for key, value in WHOLE.items() if key != not_there}), "hood.toml")
    assert getattr(hood, there) is not None
    assert getattr(hood, not_there) is None
    assert getattr(hood, f"{not_there}_for")("extract") is None


def test_neither_vane_nor_taps_is_refused() -> None:
    error = refusal(toml({key: value for key, value in WHOLE.items() if key not in ("vane", "taps")}))
    assert error.keys == ("vane", "taps")


def test_what_the_file_leaves_out() -> None:
    hood = parse_hood(toml(EXAMPLE), "hood.toml")
    assert hood.r_k_c == 0.0
    assert hood.placement is None
    assert hood.calibrated_for("supply")
    assert hood.calibrated_for("extract")
    assert not parse_hood(toml(WHOLE), "hood.toml").calibrated_for("extract")


def test_area_is_that_of_a_circle() -> None:
    assert parse_hood(toml(EXAMPLE), "hood.toml").area_m2 == pytest.approx(pi * 0.052**2, rel=1e-12)


def test_read_hood_gives_the_hash_of_the_bytes(tmp_path: Path) -> None:
    path = tmp_path / "hood.toml"
    path.write_bytes(toml(EXAMPLE).encode())
    hood, sha = read_hood(path)
    assert hood.name == "pipe hood 1"
    assert sha == hashlib.sha256(path.read_bytes()).hexdigest()


def test_files_that_can_not_be_read_are_refused_with_their_path(tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_bytes(b'name = "\xff\xfe"')
    for path in (tmp_path / "none.toml", tmp_path, other):
        with pytest.raises(HoodError) as caught:
            read_hood(path)
        assert caught.value.path == path
        assert caught.value.exit_code == 4


@pytest.mark.parametrize(
    ("key", "line"),
    [("pipe.bore_mm", "bore_mm"), ("vane.k", "k"), ("taps.c", "c"), ("vane.u_k_rel", "u_k_rel")],
)
def test_numbers_beyond_any_hood_are_refused_with_their_key(key: str, line: str) -> None:
    """Huge but finite numbers would overflow the arithmetic later, far from the slip that made them."""
    import re

    from hoodtrace.board.scenario import demo_hood_toml

    text = re.sub(rf"(?m)^{line} = .*$", f"{line} = 1e200", demo_hood_toml(), count=1)
    with pytest.raises(HoodError) as caught:
        parse_hood(text, "hood.toml")
    assert key in caught.value.keys


def test_a_whole_number_of_thousands_of_digits_is_refused_with_its_key() -> None:
    from hoodtrace.board.scenario import demo_hood_toml

    text = demo_hood_toml().replace("k = 0.93", f"k = 0x{'f' * 6000}")
    with pytest.raises(HoodError, match=r"key vane\.k: "):
        parse_hood(text, "hood.toml")
