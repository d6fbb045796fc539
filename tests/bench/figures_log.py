"""Readings from the board's flash log: pairs with the same air at the full rate, and coverage of their intervals.

Contract: `from_log(seed, n_holds, jobs)` prints (e) how log and full rate differ on the same worlds, by flow,
direction, turbulence and correlation time, (f) coverage and width of the random interval (hood exactly known) and of
the whole one (hood drawn anew a visit), with air and holds as in the coverage figures and, below, rougher, faster and
shorter ones, and (g) holds found, ends, cuts, readings from carrying, flags. Judged: 93 to 97 % overall, no class of
at least 300 readings under 90 %; a mean difference in (e) under a quarter of the log's median half-width; holds found
as at the full rate, no reading from carrying, 95 % of the ends within 1.5 s. Widths are over the oracle's, who has the
full rate: printed, not judged.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise
from math import nan, sqrt
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from figures_coverage import JUDGED_FROM, KINDS, Z95, Row, classes
from figures_run import Entry, Report, entries_of, log_uniform, match, overlap_s, percent, readings_of, spread

from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, TrueHold, Truth, hood_toml, make_trace, visit
from worlds.second_log import logged

FLOWS_M3H = (12.0, 25.0, 45.0, 80.0)
TURBULENCES = (0.05, 0.15, 0.3)
SMOOTH, ROUGHEST = 0.15, 0.3
"""Fluctuation that readings are promised for (as in the other figures), and the most that is drawn here."""
FASTEST_S, SHORTEST_S = 0.3, 20.0
"""The same for its correlation and for the length of a hold."""
FULL_RATE_S = 10.0
OVERALL = {"a": ("all",), "b": ("all", "these and all that follow")}
"""What must lie within 93 to 97 %. The random interval says nothing of the vane's inertia in fast or rough air."""
MIXED_FROM = 0.02
"""A reading with more than this part of its time, and less than all but this, at the full rate is mixed."""


@dataclass(frozen=True, slots=True)
class Both:
    """Answers for one world at the full rate and from its log, times since the first sample at the full rate."""

    full: Report
    log: Report
    truth: Truth
    log_from_s: float


@dataclass(frozen=True, slots=True)
class LogRow:
    """A hold read from the log, and at the full rate; `full_share` is the part of the log reading's time that is at
    the full rate, `rested` whether the log rested shortly before."""

    row: Row
    full: Row
    rested: bool
    full_share: float = nan
    start_off_s: float = nan
    end_off_s: float = nan
    cut_share: float = nan


def both(spec: Spec, seed: int, left_s: float = 0.0) -> Both:
    """Make a world, read its full-rate trace and its log; the host left after `left_s`."""
    trace, truth = make_trace(spec, seed)
    log, from_s = logged(trace, np.random.default_rng([seed, 1]), spec.counts_per_pa, left_s)
    answers = []
    with tempfile.TemporaryDirectory() as folder:
        hood = Path(folder, "hood.toml")
        hood.write_text(hood_toml(spec.hood), encoding="utf-8")
        for name, data in (("full", trace), ("log", log)):
            Path(folder, name).write_bytes(data)
            try:
                answers.append(readings_of(Path(folder, name), hood))
            except Exception as wrong:  # a crash of what is measured is a figure too
                crash = f"seed {seed}, {name}: {type(wrong).__name__}: {wrong}"
                answers.append({"readings": [], "refused": [], "crash": crash})
    for entry in entries_of(answers[1]):
        for key in ("hold_start_s", "hold_end_s", "start_s", "end_s"):
            entry[key] += from_s
    return Both(answers[0], answers[1], truth, from_s)


# ---- pairs


def pair_rows(task: tuple[float, str, float, int]) -> list[dict[str, Any]]:
    """Three holds of one flow and turbulence, read twice; the hood is exactly as its file says."""
    flow_m3h, direction, turbulence, seed = task
    rng = np.random.default_rng(seed)
    holds = []
    for _ in range(3):
        air = Fluctuation(str(rng.choice([k for k, _ in KINDS])), turbulence, log_uniform(rng, 0.1, 2.0), 6.0)
        holds.append(Hold((Plateau(flow_m3h, rng.uniform(30, 60), air),), direction))
    hood = Hood(k_extract=0.90, c_extract=0.68, response_length_m=rng.uniform(0.2, 0.6))
    spec = visit(holds, rng, hood=hood, noise_pa=rng.uniform(0.03, 0.06), pressure_pa=rng.uniform(94e3, 103e3))
    seen = both(spec, seed)
    rows = []
    for hold in seen.truth.holds:
        plateau = hold.plateaus[0]
        entries = [match(answer, plateau) for answer in (seen.full, seen.log)]
        about = {"flow": flow_m3h, "direction": direction, "turbulence": turbulence, "tau_s": plateau.correlation_s}
        for name, entry in zip(("full", "log"), entries, strict=True):
            about[name] = entry if entry is not None and "flow_m3h" in entry else None
        rows.append(about)
    return rows


def pairs(seed: int, n_holds: int, jobs: int) -> bool:
    """Print (e); True when no class of pairs is off by more than a quarter of its half-width."""
    cells = [(q, d, s) for q in FLOWS_M3H for d in ("supply", "extract") for s in TURBULENCES]
    seeds = np.random.SeedSequence([seed, 40]).generate_state(
        max(1, n_holds // 3 // len(cells)) * len(cells), np.uint64
    )
    tasks = [(*cells[i % len(cells)], int(s)) for i, s in enumerate(seeds)]
    rows = [row for rows in spread(pair_rows, tasks, jobs, "pairs") for row in rows]
    print(f"\n(e) the same air at the full rate and from the log: {len(rows)} holds, hood as its file says; %")
    print(f"{'class':<28}{'holds':>6}{'read full':>10}{'log':>5}{'pairs':>6}{'log - full':>11}{'s.e.':>6}{'s.d.':>6}"
          f"{'vane':>7}{'taps':>7}{'error full':>11}{'log':>7}{'half-width full':>16}{'log':>6}"
          f"{'correlation full':>18}{'log':>6}  of the true one, median")  # fmt: skip
    passed = True

    def show(name: str, members: list[dict[str, Any]]) -> bool:
        read = [r for r in members if r["full"] and r["log"]]
        if not read:
            return True

        def apart(key: str) -> Any:
            values = [100 * (r["log"][key] / r["full"][key] - 1) for r in read if r["log"][key] and r["full"][key]]
            return np.array(values or [nan])

        off = apart("flow_m3h")
        errors = [np.mean([100 * (r[w]["flow_m3h"] / r["flow"] - 1) for r in read]) for w in ("full", "log")]
        half = [median(100 * r[w]["expanded_m3h"] / r[w]["flow_m3h"] for r in read) for w in ("full", "log")]
        tau = [median(r[w]["correlation_s"] / r["tau_s"] for r in read) for w in ("full", "log")]
        good = abs(off.mean()) < half[1] / 4
        print(f"{name:<28}{len(members):>6}{sum(bool(r['full']) for r in members):>10}"
              f"{sum(bool(r['log']) for r in members):>5}{len(read):>6}{off.mean():>+11.2f}"
              f"{off.std() / sqrt(len(off)):>6.2f}{off.std():>6.2f}{apart('vane_m3h').mean():>+7.2f}"
              f"{apart('taps_m3h').mean():>+7.2f}{errors[0]:>+11.2f}{errors[1]:>+7.2f}{half[0]:>16.1f}{half[1]:>6.1f}"
              f"{tau[0]:>18.2f}{tau[1]:>6.2f}"
              f"  {'pass' if good else 'FAIL'}")  # fmt: skip
        return bool(good)

    passed &= show("all", rows)
    for turbulence in TURBULENCES:
        some = [r for r in rows if r["turbulence"] == turbulence]
        passed &= show(f"turbulence {turbulence:g}", some)
        for flow in FLOWS_M3H:
            passed &= show(f"  {flow:g} m3/h", [r for r in some if r["flow"] == flow])
        for low, high in pairwise((0.1, 0.2, 0.5, 1.0, 2.0)):
            passed &= show(f"  correlation {low:g}-{high:g} s", [r for r in some if low <= r["tau_s"] < high])
    for direction in ("supply", "extract"):
        passed &= show(direction, [r for r in rows if r["direction"] == direction])
    return passed


# ---- coverage and finding


def log_visit(task: tuple[str, int]) -> dict[str, list[Any]]:
    """One visit of three holds read from its log: rows, and what was found where no hold was."""
    part, seed = task
    rng = np.random.default_rng(seed)
    exact = part == "a" and rng.random() < 0.5
    hood = Hood(
        bore_mm=float(rng.choice([100.0, 104.0, 125.0])), response_length_m=rng.uniform(0.2, 0.6), k_extract=0.90,
        response_given=part == "a" or rng.random() < 0.8, c_extract=0.68, u_k_rel=0.0 if exact else 0.02,
        u_c_rel=0.0 if exact else 0.025, u_zero_pa=0.0 if exact else 0.02,
    )  # fmt: skip
    noise_pa = 0.0 if rng.random() < 0.2 else rng.uniform(0.01, 0.08)
    holds, n_gusts = [], []
    for _ in range(3):
        kind = str(rng.choice([k for k, _ in KINDS], p=[p for _, p in KINDS]))
        rms_rel = rng.uniform(0.02, SMOOTH) if rng.random() < 0.8 else rng.uniform(SMOOTH, ROUGHEST)
        air = Fluctuation(kind, rms_rel, log_uniform(rng, 0.1, 3.0), rng.uniform(4, 8))
        n_gusts.append(int(rng.choice([0, 0, 1, 2])))
        seconds = rng.uniform(SHORTEST_S, 60) if rng.random() < 0.85 else rng.uniform(12.05, SHORTEST_S)
        plateau = Plateau(log_uniform(rng, 8, 250), seconds, air)
        holds.append(Hold((plateau,), str(rng.choice(["supply", "extract"])), n_gusts=n_gusts[-1],
                          press_s=rng.uniform(0.3, 1.0), overshoot=rng.uniform(0, 0.3)))  # fmt: skip
    spec = visit(
        holds, rng, hood=hood, errors="exact" if part == "a" else "drawn", noise_pa=noise_pa,
        rate_hz=int(rng.choice([50, 50, 100])), temp_c=rng.uniform(17, 25), pressure_pa=rng.uniform(94e3, 103e3),
    )  # fmt: skip
    spec = replace(spec, scenes=_with_rest(spec, rng))
    # In half of the visits the host leaves so that the log's slow lines begin in the middle of the first hold.
    first_s = sum(s.seconds for s in _before_hold(spec))
    switch_s = first_s + rng.uniform(2, FULL_RATE_S)
    seen = both(spec, seed, max(switch_s - FULL_RATE_S, 0.0) if rng.random() < 0.5 else 0.0)
    rests = _rests(spec)
    out: dict[str, list[Any]] = {"rows": [], "carried": [], "refused carrying": [], "crashes": []}
    out["crashes"] = [a["crash"] for a in (seen.full, seen.log) if "crash" in a]
    for hold, gusts in zip(seen.truth.holds, n_gusts, strict=True):
        plateau = hold.plateaus[0]
        name = "u = 0" if exact else ("usual u" if hood.response_given else "no response length")
        row = Row(plateau.air.kind, plateau.correlation_s, plateau.air.rms_rel, plateau.end_s - plateau.start_s,
                  plateau.flow_m3h, gusts, noise_pa, hold.direction, name, "not found")  # fmt: skip
        rested = any(0 < hold.seated_s - end_s < 40 for end_s in rests)
        entries = [match(answer, plateau) for answer in (seen.log, seen.full)]
        log_row, full_row = (_read(row, entry, hold.direction) for entry in entries)
        one = LogRow(log_row, full_row, rested)
        if entries[0] is not None and "flow_m3h" in entries[0]:
            one = _placed(one, entries[0], hold, seen.log_from_s + FULL_RATE_S)
        out["rows"].append(one)
    for entry in entries_of(seen.log):
        seated_s = sum(overlap_s(entry, h.seated_s, h.lifted_s) for h in seen.truth.holds)
        if seated_s < (entry["end_s"] - entry["start_s"]) / 2:
            where = "carried" if "flow_m3h" in entry else "refused carrying"
            out[where].append((round(entry.get("flow_m3h", nan), 1), round(entry["end_s"] - entry["start_s"], 1), seed))
    return out


def _read(row: Row, entry: Entry | None, direction: str) -> Row:
    """The row with what was said of the hold."""
    if entry is None or "flow_m3h" not in entry:
        return row if entry is None else replace(row, outcome=f"refused: {entry['why']}")
    same = entry["direction"] in ("unknown", direction)
    return replace(
        row, outcome="reading", flags=", ".join(entry["flags"]), used_s=entry["used_s"],
        error_m3h=(entry["flow_m3h"] if same else -entry["flow_m3h"]) - row.flow_m3h,
        random_m3h=entry["expanded_random_m3h"], whole_m3h=entry["expanded_m3h"],
    )  # fmt: skip


def _placed(one: LogRow, entry: Entry, hold: TrueHold, full_until_s: float) -> LogRow:
    span_s = entry["end_s"] - entry["start_s"]
    return replace(
        one,
        row=replace(one.row, oracle_m3h=Z95 * hold.plateaus[0].u_oracle_m3h(entry["used_s"])),
        full_share=min(max(full_until_s - entry["start_s"], 0.0) / span_s, 1.0),
        start_off_s=entry["hold_start_s"] - hold.seated_s,
        end_off_s=entry["hold_end_s"] - hold.lifted_s,
        cut_share=1 - entry["used_s"] / span_s,
    )


def _with_rest(spec: Spec, rng: np.random.Generator) -> tuple[Hold | Free, ...]:
    """The scenes, in a third of the visits with minutes of stillness before one of the holds."""
    scenes = list(spec.scenes)
    if rng.random() < 0.33:
        at = [i for i, s in enumerate(scenes) if isinstance(s, Free) and s.style == "carry"]
        scenes.insert(int(rng.choice(at[:-1])), Free(rng.uniform(70, 240), "still"))
    return tuple(scenes)


def _before_hold(spec: Spec) -> list[Free]:
    out: list[Free] = []
    for scene in spec.scenes:
        if isinstance(scene, Hold):
            break
        out.append(scene)
    return out


def _rests(spec: Spec) -> list[float]:
    """Ends (s) of the still stretches that are long enough for the log to rest."""
    at_s, out = 0.0, []
    for scene in spec.scenes:
        if isinstance(scene, Hold):
            at_s += scene.press_s + sum(p.seconds for p in scene.plateaus) + scene.lift_s
        else:
            at_s += scene.seconds
            if scene.seconds > 60:
                out.append(at_s)
    return out


def _promised(row: Row) -> bool:
    """Whether air and hold are such as the other figures draw."""
    return row.rms_rel <= SMOOTH and row.tau_s >= FASTEST_S and row.seconds >= SHORTEST_S


def _more_classes(rows: list[LogRow]) -> dict[str, list[LogRow]]:
    plain = [r for r in rows if _promised(r.row)]
    by_row = {id(r.row): r for r in plain}
    out = {name: [by_row[id(r)] for r in some] for name, some in classes([r.row for r in plain]).items()}
    out["these and all that follow"] = rows
    out[f"  fluctuation {SMOOTH:g}-{ROUGHEST:g}"] = [r for r in rows if r.row.rms_rel > SMOOTH]
    out[f"  correlation, s 0.1-{FASTEST_S:g}"] = [r for r in rows if r.row.tau_s < FASTEST_S]
    out["  correlation, s 0.1-0.2"] = [r for r in rows if r.row.tau_s < 0.2]
    out["  both rough and fast"] = [r for r in rows if r.row.rms_rel > SMOOTH and r.row.tau_s < FASTEST_S]
    out[f"  length, s 12-{SHORTEST_S:g}"] = [r for r in rows if r.row.seconds < SHORTEST_S]
    out["  all from decimated lines"] = [r for r in rows if r.full_share < MIXED_FROM]
    out["  mixed with full rate"] = [r for r in rows if MIXED_FROM <= r.full_share < 1 - MIXED_FROM]
    out["    under half at the full rate"] = [r for r in rows if MIXED_FROM <= r.full_share < 0.5]
    out["    of these without `from log`"] = [
        r for r in out["    under half at the full rate"] if "from log" not in r.row.flags
    ]
    out["  log rested before"] = [r for r in rows if r.rested]
    return out


def _half(row: Row, part: str) -> float:
    return row.random_m3h if part == "a" else row.whole_m3h


def _covered(rows: list[Row], part: str) -> float:
    return percent(sum(abs(r.error_m3h) <= _half(r, part) for r in rows), len(rows))


def _table(part: str, rows: list[LogRow]) -> bool:
    what = "random interval, hood and zero exactly known" if part == "a" else "whole interval, hood drawn anew a visit"
    print(f"\n(f) {what}, from the log: {len(rows)} holds")
    print(f"{'class':<32}{'holds':>6}{'refused':>8}{'missed':>7}{'read':>6}{'coverage %':>12}{'s.e.':>5}{'width':>7}"
          f"{'half-width %':>14}{'mean error %':>14}{'s.e.':>6}  full: read, coverage, width, error")  # fmt: skip
    passed = True
    for name, members in _more_classes(rows).items():
        read = [r.row for r in members if r.row.outcome == "reading"]
        refused = sum(r.row.outcome.startswith("refused") for r in members)
        share, n = _covered(read, part), max(len(read), 1)
        width = median(_half(r, part) / r.oracle_m3h for r in read) if read else nan
        relative = np.array([100 * r.error_m3h / r.flow_m3h for r in read] or [nan])
        low, high = (93.0, 97.0) if name in OVERALL[part] else (90.0, 100.0)
        verdict = (
            ("pass" if low <= share <= high else "FAIL") if len(read) >= JUDGED_FROM or name in OVERALL[part] else "few"
        )
        full = [r.full for r in members if r.full.outcome == "reading"]
        wide, full_wide = (median([100 * _half(r, part) / r.flow_m3h for r in some] or [nan]) for some in (read, full))
        full_error = float(np.mean([100 * r.error_m3h / r.flow_m3h for r in full] or [nan]))
        print(f"{name:<32}{len(members):>6}{refused:>8}{len(members) - refused - len(read):>7}{len(read):>6}"
              f"{share:>12.1f}{sqrt(max(share * (100 - share), 0) / n):>5.1f}{width:>7.2f}{wide:>14.2f}"
              f"{relative.mean():>+14.2f}{relative.std() / sqrt(n):>6.2f}  {verdict}"
              f"{len(full):>14}{_covered(full, part):>7.1f}{full_wide:>7.2f}{full_error:>+7.2f}")  # fmt: skip
        passed &= verdict != "FAIL"
    print("outcomes:", "; ".join(f"{k} {v}" for k, v in Counter(r.row.outcome for r in rows).most_common()))
    flags = Counter(f for r in rows if r.row.flags for f in r.row.flags.split(", "))
    print("flags:", "; ".join(f"{k} {v}" for k, v in flags.most_common()) or "none")
    return passed


def _say(name: str, value: str, good: bool) -> bool:
    print(f"{name:<62}{value:>22}  {'pass' if good else 'FAIL'}")
    return good


def _finding(parts: list[dict[str, list[Any]]]) -> bool:
    rows: list[LogRow] = [r for part in parts for r in part["rows"]]
    carried, crashes = ([x for part in parts for x in part[key]] for key in ("carried", "crashes"))
    print("\n(g) finding, from the log")
    passed = _say("crashes (none)", str(len(crashes)), not crashes)
    print(*(f"    {crash}" for crash in crashes[:10]), sep="\n")
    smooth = [r for r in rows if r.row.rms_rel <= SMOOTH and r.row.seconds >= 12]
    found, at_full = (percent(sum(r.outcome != "not found" for r in some), len(some))
                      for some in ([r.row for r in smooth], [r.full for r in smooth]))  # fmt: skip
    name = f"holds found, of {len(smooth)} (full rate {at_full:.2f} %, at most 0.5 less)"
    passed &= _say(name, f"{found:.2f} %", found >= at_full - 0.5)
    for r, full in [(r.row, r.full) for r in rows if r.row.outcome == "not found" and r.full.outcome != "not found"][
        :20
    ]:
        print(f"    missed: {r.flow_m3h:.1f} m3/h, rms {r.rms_rel:.3f}, {r.kind}, {r.tau_s:.2f} s, {r.seconds:.1f} s;"
              f" at the full rate {full.outcome}")  # fmt: skip
    passed &= _say("readings from carrying (none)", str(len(carried)), not carried)
    for flow_m3h, seconds, seed in carried[:10]:
        print(f"    {flow_m3h} m3/h from {seconds} s, seed {seed}")
    print(f"    refused while carrying: {sum(len(part['refused carrying']) for part in parts)}")
    for name in ("start_off_s", "end_off_s"):
        off = np.array([getattr(r, name) for r in rows if r.row.outcome == "reading"])
        inside = percent(int(np.sum(np.abs(off) <= 1.5)), len(off))
        q = np.quantile(off, [0.025, 0.5, 0.975])
        passed &= _say(f"{name.split('_')[0]} of a hold within 1.5 s (>= 95 %)", f"{inside:.1f} %", inside >= 95)
        print(f"    off by {q[0]:+.2f} .. {q[1]:+.2f} .. {q[2]:+.2f} s (2.5, 50, 97.5 %)")
    quiet = [r.cut_share for r in rows if r.row.n_gusts == 0 and r.row.outcome == "reading"]
    print(f"    time of readings without a gust that is not used: {100 * float(np.mean(quiet or [nan])):.2f} %")
    said = []
    for some in ([r.row for r in rows], [r.full for r in rows]):
        read = [r for r in some if r.outcome == "reading" and r.hood_file != "u = 0"]
        said.append(percent(sum("zero doubtful" in r.flags for r in read), len(read)))
    mostly = [r for r in rows if r.full_share < 0.5 and "taps " not in r.row.flags]
    silent = sum("from log" not in r.row.flags for r in mostly)
    name = f"taps of {len(mostly)} mostly from slow lines without `from log` (none)"
    passed &= _say(name, str(silent), not silent)
    name = f"flag `zero doubtful` though zero is right (<= 1 %; full {said[1]:.2f} %)"
    return passed & _say(name, f"{said[0]:.2f} %", said[0] <= 1)


def from_log(seed: int, n_holds: int, jobs: int) -> bool:
    """All of it; True when everything passed."""
    passed = pairs(seed, n_holds, jobs)
    every: list[dict[str, list[Any]]] = []
    for i, part in enumerate("ab"):
        seeds = np.random.SeedSequence([seed, 41 + i]).generate_state((n_holds + 2) // 3, np.uint64)
        parts = spread(log_visit, [(part, int(s)) for s in seeds], jobs, f"log {part}")
        passed &= _table(part, [row for each in parts for row in each["rows"]])
        every += parts
    return _finding(every) and passed
