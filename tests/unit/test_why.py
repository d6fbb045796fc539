"""Why a reading is what it is: its numbers are those of `readings`, and the hood behind it case by case."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from hoodtrace.averaging.kept import Chosen, KeptTrace, keep
from hoodtrace.averaging.reading import Averaged
from hoodtrace.averaging.session import Outcome
from hoodtrace.averaging.table import Table, readings_of
from hoodtrace.dwelling.why import Beside, Why, both_channels, why, why_json
from hoodtrace.dwelling.why_budget import missing
from hoodtrace.dwelling.why_hood import Ratio, constants, earlier, hood_behind, ratio_words
from hoodtrace.physics.hood import Hood, parse_hood, read_hood
from sample_record import sample_record
from worlds.second import Fluctuation, Free, Hold, Plateau, Spec, hood_toml, make_trace
from worlds.second import Hood as Given


@dataclass(frozen=True, slots=True)
class House:
    """A visit of the second generator: its trace kept, and what `readings` says of it."""

    folder: Path
    kept: KeptTrace
    sha256: str
    table: Table

    def why(self, outcome: Chosen | Outcome, name: str = "01:1.1") -> Why:
        return why(self.kept, outcome, name, self.folder / "hood.toml", self.sha256, self.others())

    def others(self) -> list[Beside]:
        return [
            Beside(f"01:{o.name}", o, (self.kept.first_utc_s[o.boot] or math.nan) + o.start_us * 1e-6)
            for o in self.kept.outcomes
            if o.averaged.refusal is None
        ]


def house(folder: Path, given: Given, seed: int = 11) -> House:
    air = Fluctuation("ou", 0.06, 0.6)
    # The third is refused: under 8 s of it are left.
    holds = [Hold((Plateau(flow, s, air),), "supply") for flow, s in ((30.0, 30.0), (45.0, 40.0), (60.0, 7.0))]
    scenes: list[Hold | Free] = [Free(6, "hang")]
    for hold in holds:
        scenes += [hold, Free(6, "hang")]
    text, _ = make_trace(Spec(tuple(scenes), given), seed)
    folder.mkdir(exist_ok=True)
    (folder / "01.trace").write_bytes(text)
    (folder / "hood.toml").write_text(hood_toml(given))
    hood, sha256 = read_hood(folder / "hood.toml")
    table = readings_of(folder / "01.trace", folder / "hood.toml")
    return House(folder, keep(folder / "01.trace", hood, sha256), sha256, table)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> House:
    return house(tmp_path_factory.mktemp("both"), Given(r_k_c=0.5))


@pytest.fixture(scope="module")
def vane_only(tmp_path_factory: pytest.TempPathFactory) -> House:
    return house(tmp_path_factory.mktemp("vane"), Given(has_taps=False))


def test_numbers_are_those_of_readings(both: House) -> None:
    rows = {(row["hold"], row["plateau"]): row for row in both.table.readings}
    assert len(rows) >= 2
    for o in both.kept.outcomes:
        if o.averaged.refusal is not None:
            continue
        row, found = rows[o.hold, o.plateau], why_json(both.why(o, f"01:{o.name}"))
        for key in ("flow_m3h", "u_flow_m3h", "expanded_m3h", "dof", "confidence", "direction", "flags"):
            assert found[key] == row[key], key
        for key in ("vane_m3h", "u_vane_m3h", "taps_m3h", "u_taps_m3h"):
            assert found["channels"][key] == row[key], key
        for key in ("correlation_s", "used_s"):
            assert found["correlation"][key] == row[key], key
        assert found["coverage_factor"] * found["u_flow_m3h"] == pytest.approx(row["expanded_m3h"], abs=2e-5)
        assert found["n_over_g"] == pytest.approx(row["used_s"] / (2.0 * row["correlation_s"]), rel=1e-4)


def test_terms_are_those_of_readings_and_add_up(both: House) -> None:
    budget = both.table.budget()
    o = next(o for o in both.kept.outcomes if o.averaged.refusal is None)
    found = both.why(o)
    mine = budget[(budget.hold == o.hold) & (budget.plateau == o.plateau)].set_index("term")
    rows = [line for line in found.terms if line.kind == "term"]
    assert {line.name for line in rows} == set(mine.index)
    for line in rows:
        assert line.u_m3h == pytest.approx(mine.u_m3h[line.name], rel=1e-12)
        assert (math.inf if line.dof is None else line.dof) == mine.dof[line.name]
        assert line.scope == mine.scope[line.name]
        assert line.what.endswith(".")
        assert "no words" not in line.what
    # The zero's line is worked out from the hood file alone, so no zero check makes it smaller by itself.
    assert "u_zero_pa" in next(line.what for line in rows if line.name == "zero")
    u_k, u_c = (mine.u_m3h[name] for name in ("k-factor", "taps' coefficient"))
    variance = float((mine.u_m3h**2).sum()) + 2.0 * 0.5 * u_k * u_c
    assert found.u_flow_m3h == pytest.approx(math.sqrt(variance), rel=1e-9)
    assert math.fsum(line.share for line in found.terms) == pytest.approx(1.0, abs=1e-12)
    assert found.terms[-1].share == pytest.approx(2.0 * 0.5 * u_k * u_c / variance, rel=1e-9)


def test_a_window_is_read_as_its_outcome(both: House) -> None:
    o = next(o for o in both.kept.outcomes if o.averaged.refusal is None)
    assert why_json(both.why(Chosen.of(o))) == why_json(both.why(o))


def test_a_refused_one_has_an_estimate_and_no_budget(both: House) -> None:
    o = next(o for o in both.kept.outcomes if o.averaged.refusal is not None and math.isfinite(o.averaged.flow_m3_s))
    found = why_json(both.why(o, f"01:{o.name}"))
    row = next(r for r in both.table.refused if (r["hold"], r["plateau"]) == (o.hold, o.plateau))
    assert (found["refusal"], found["estimate_m3h"]) == (row["why"], row["estimate_m3h"])
    assert [found[key] for key in ("flow_m3h", "u_flow_m3h", "expanded_m3h", "coverage_factor", "dof")] == [None] * 5
    assert found["terms"] == []


def test_one_channel_only(vane_only: House) -> None:
    o = next(o for o in vane_only.kept.outcomes if o.averaged.refusal is None)
    found = vane_only.why(o)
    assert (found.channels.share_vane, found.channels.apart_m3h, found.channels.taps_m3h) == (1.0, None, None)
    assert found.channels.verdict.startswith("only the vane counts")
    assert found.correlation is not None
    assert found.correlation.channel == "vane"
    assert found.hood.in_this_visit == ()
    assert found.hood.verdict.startswith("no ratio")
    assert all(line.kind == "term" for line in found.terms)


def test_json_has_no_nan(both: House, vane_only: House) -> None:
    for one in (both, vane_only):
        for o in one.kept.outcomes:
            text = json.dumps(why_json(one.why(o)), allow_nan=False)
            assert why_json(replace(one.why(o), n_over_g=math.inf))["n_over_g"] is None
            assert set(json.loads(text)) >= {"id", "terms", "correlation", "channels", "hood", "n_over_g"}


def test_flags_say_what_is_not_in_the_budget(both: House) -> None:
    o = next(o for o in both.kept.outcomes if o.averaged.refusal is None)
    assert any("placement" in words for words in both.why(o).not_in)
    calm = replace(o.averaged, flags=())
    assert missing(calm) == ()
    for flag in ("zero doubtful", "outside the calibration", "direction not calibrated", "direction unknown"):
        assert len(missing(replace(calm, flags=(flag,)))) == 1


def test_channels_that_disagree(both: House) -> None:
    a = next(o.averaged for o in both.kept.outcomes if o.averaged.refusal is None)
    assert a.together is not None
    assert a.vane_m3_s is not None
    far = replace(
        a,
        taps_m3_s=a.vane_m3_s - 5.0 * a.together.u_apart_m3_s,
        together=replace(a.together, share_vane=0.0),
        flags=("channels disagree: tap blocked or tube off",),
    )
    words = both_channels(far).verdict
    assert words.startswith("they disagree, 5.0 standard uncertainties")
    assert "tap blocked or tube off; the taps alone counts" in words
    assert both_channels(a).verdict.startswith("they agree")


# ---- the hood


def row(name: str, ratio: float, this: bool = False, direction: str = "supply") -> Ratio:
    return Ratio(name, None, direction, 40.0, ratio, 0.003 * ratio, this)


def test_a_ratio_that_stands_out_on_paper() -> None:
    """ln 1.06 = 0.05827; u^2 = (0.003^2 + 0.01^2)(1 + 1/3) = 0.01206^2, with 1 % from reading to reading: 4.8 of it."""
    others = [row(name, 1.0) for name in "abc"]
    words = ratio_words([*others, row("d", 1.06, this=True)])
    assert words.startswith("it stands out: ")
    assert "+6.0 %, 4.8 standard uncertainties" in words
    assert ratio_words([*others, row("d", 1.03, this=True)]).startswith("nothing noticed: ")  # 2.5


def test_only_the_same_direction_is_compared() -> None:
    words = ratio_words([row("a", 1.2, direction="extract"), row("b", 1.0, this=True)])
    assert words.startswith("nothing to compare with")


def test_ratios_of_the_visit(both: House) -> None:
    good = [o for o in both.kept.outcomes if o.averaged.refusal is None]
    found = both.why(good[1], f"01:{good[1].name}").hood.in_this_visit
    assert [each.id for each in found] == [f"01:{o.name}" for o in good]  # in time, itself once
    assert [each.this for each in found] == [False, True]
    for each, o in zip(found, good, strict=True):
        rows = next(r for r in both.table.readings if (r["hold"], r["plateau"]) == (o.hold, o.plateau))
        assert each.ratio == pytest.approx(rows["vane_m3h"] / rows["taps_m3h"], rel=1e-5)
        # The zero alone does half of u_zero over dp to a flow by taps; the noise comes on top of that.
        assert o.averaged.air is not None
        speed2 = (rows["taps_m3h"] / 3600.0 / (0.71 * math.pi / 4 * 0.104**2)) ** 2
        dp_pa = 0.5 * o.averaged.air.density_kg_m3 * speed2 * o.averaged.air.pressure_pa / 96600.0
        assert each.u_ratio > 0.98 * each.ratio * 0.5 * 0.02 / dp_pa
        assert each.u_ratio < 3.0 * each.ratio * 0.5 * 0.02 / dp_pa


def calibrated(record: str, sha256: str) -> Hood:
    return parse_hood(
        'name = "pipe hood 1"\n[pipe]\nbore_mm = 104.0\nlength_mm = 200.0\n[vane]\noffset_m_s = 0.14\n'
        "gain_m_s_per_hz = 0.047\nstart_m_s = 0.25\nk = 0.93\nu_k_rel = 0.02\ndof_k = 6.0\nrange_m3h = [20.0, 75.0]\n"
        "[vane.extract]\nk = 0.95\n[calibration]\ndate = 2026-03-14\ndue = 2027-03-14\n"
        f'method = "m"\nmade_by = "b"\nrecord = "{record}"\nrecord_sha256 = "{sha256}"\n',
        "hood.toml",
    )


def reading(direction: str = "supply") -> Outcome:
    from hoodtrace.averaging.budget import Total

    a = Averaged(
        0.01, Total(0.0, math.inf, 0.0), 0.0, 0.0, 0.0, 1.0, 20.0, direction, 0.01, 0.0, None, None, 40.0, (), (), None
    )
    return Outcome(1, 1, 1, 0, 1, 0, 1, (), a)


def test_records_beside_the_hood_file(tmp_path: Path) -> None:
    text = sample_record(6).as_json()
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    old = replace(sample_record(5), date=datetime.date(2025, 3, 1)).as_json()
    (tmp_path / "calibration-2026-03-14.json").write_text(text, encoding="utf-8")
    (tmp_path / "calibration-2025-03-01.json").write_text(old, encoding="utf-8")
    other = sample_record(6, name="another hood").as_json()
    (tmp_path / "calibration-2024-01-01.json").write_text(other, encoding="utf-8")
    (tmp_path / "calibration-2023-01-01.json").write_text("{", encoding="utf-8")
    hood = calibrated("calibration-2026-03-14.json", sha256)
    rows = earlier(hood, tmp_path / "hood.toml")
    assert [(each.date, each.named, each.n_points) for each in rows] == [
        ("2025-03-01", False, 5),
        ("2026-03-14", True, 6),
    ]
    assert rows[1].state == "unchanged"
    assert [(x.symbol, x.value) for x in rows[1].lines] == [("k", 0.9312), ("c", 0.7135)]  # the sample's constants


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "not found"), ("{", "can't be read"), ("changed", "changed since")],
)
def test_a_named_record_that_can_not_serve(tmp_path: Path, content: str | None, words: str) -> None:
    text = sample_record(6).as_json()
    if content is not None:
        shown = sample_record(7).as_json() if content == "changed" else content
        (tmp_path / "r.json").write_text(shown, encoding="utf-8")
    (one,) = earlier(calibrated("r.json", hashlib.sha256(text.encode()).hexdigest()), tmp_path / "hood.toml")
    assert one.named
    assert one.state.startswith(words)


def test_a_record_is_looked_for_beside_the_file_only(tmp_path: Path) -> None:
    text = sample_record(6).as_json()
    (tmp_path / "r.json").write_text(text, encoding="utf-8")
    (tmp_path / "hoods").mkdir()
    (one,) = earlier(calibrated("../r.json", "00"), tmp_path / "hoods" / "hood.toml")
    assert one.lines == ()
    assert "no plain file name" in one.state


@pytest.mark.parametrize(("day", "overdue"), [("2027-03-14", False), ("2027-03-15", True), (None, None)])
def test_due_at_the_readings_own_day(tmp_path: Path, day: str | None, overdue: bool | None) -> None:
    utc_s = None if day is None else datetime.datetime.fromisoformat(f"{day}T12:00:00+00:00").timestamp()
    found = hood_behind(
        calibrated("r.json", "00"), "aa", tmp_path / "hood.toml", Beside("01:1.1", reading(), utc_s), (), 1.0
    )
    assert found.calibration is not None
    assert found.calibration.overdue is overdue
    assert found.range_m3h == (20.0, 75.0)


def test_constants_are_those_of_the_direction() -> None:
    hood = calibrated("r.json", "00")
    rows = {each.name: each for each in constants(hood, "extract")}
    assert (rows["k"].value, rows["k"].u, rows["k"].dof) == (0.95, pytest.approx(0.019), 6.0)
    assert constants(hood, "supply")[0].value == 0.93
    assert "c" not in rows
