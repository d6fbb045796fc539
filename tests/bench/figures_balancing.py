"""Figures of balancing on simulated dwellings: climbs, errors and pressures beside the textbook in the same worlds.

    python tests/bench/figures_balancing.py [--seed N] [--dwellings N] [--sizes 8,12,16] [--start found|open|both]

Contract: prints the seed first; per size the adviser, the adviser with a closing round, and the textbook; ends with 0
when all figures passed, 1 when one failed. "Worst" is the worst terminal's true error with the common error removed,
"wrong" how often done was said with a terminal outside the tolerance, "covered" how often the 95 % interval of a
predicted flow held the true one after all were read, "as found" the same of what is said, at the end, of the flows
before any valve was turned, with its half-width. The worlds are those of `balancing_worlds.py`.
"""

from __future__ import annotations

import argparse
import math
import os
import secrets
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from balancing_worlds import COMMON_REL, HOOD_PA_M3H2, RANDOM_REL, Dwelling, drawn

from hoodtrace.balancing import proportional
from hoodtrace.balancing.adviser import advise
from hoodtrace.balancing.case import FlowRead, Side, Wanted, n_climbs
from hoodtrace.balancing.step import Step

RISK = 0.05
TIMES = 5.0
"""The resistance of the hood with its outlet restricted, over its own."""
MOST_STEPS = 300
CLIMBS, CLIMBS_CLOSING, PRESSURE, WRONG, COVERED, SECONDS = 0.50, 0.70, 1.05, 0.05, (0.93, 0.97), 0.5


@dataclass
class Tally:
    """What a procedure did in the worlds of one size."""

    climbs: list[int] = field(default_factory=list)
    worst: list[float] = field(default_factory=list)
    pressure: list[float] = field(default_factory=list)
    wrong: list[bool] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    found_covered: list[bool] = field(default_factory=list)
    found_width: list[float] = field(default_factory=list)
    readings: list[int] = field(default_factory=list)
    endless: int = 0
    took_s: list[float] = field(default_factory=list)

    def ended(self, dwelling: Dwelling, climbs: int, readings: int, done: bool) -> None:
        worst = float(abs(dwelling.ratios() - 1.0).max())
        self.climbs.append(climbs)
        self.readings.append(readings)
        self.worst.append(worst)
        self.pressure += dwelling.needless().tolist()
        self.wrong.append(done and worst > 0.10)
        self.endless += not done


def side_of(dwelling: Dwelling, s: int, found: bool, closing: bool) -> Side:
    """Return a side as the program gets to know it."""
    wanted = [Wanted(f"T{i}", float(dwelling.design[i]), branch=dwelling.branch[i]) for i in _of(dwelling, s)]
    return Side(
        tuple(wanted),
        fan="fixed-speed",
        valves="as found" if found else "open",
        hood_pa_m3h2=HOOD_PA_M3H2,
        u_hood_rel=0.1,
        risk=RISK / 2.0,
        closing=closing,
    )


def _of(dwelling: Dwelling, s: int) -> np.ndarray:
    return np.flatnonzero(dwelling.side == s)


def done_what(dwelling: Dwelling, s: int, side: Side, step: Step) -> Side:
    """Do what was asked for in the dwelling and return what is known then."""
    if step.do == "fan":
        assert step.ratio is not None
        dwelling.speed[s] = step.ratio
        return replace(side, fan_ratio=step.ratio)
    i, stop = int(step.terminal[1:]), ""
    if step.why == "no hood":
        flow, u = _with_no_hood(dwelling, i)
        reading = FlowRead(step.terminal, flow, u, COMMON_REL, hood_times=0.0, fan_ratio=side.fan_ratio)
        return replace(side, readings=(*side.readings, reading))
    if step.do == "measure":
        flow = dwelling.read(i)
    else:
        flow, stop = dwelling.turn(i, math.inf if step.until == "open" else step.target_m3h or math.nan)
    reading = FlowRead(
        step.terminal,
        flow,
        RANDOM_REL,
        COMMON_REL,
        after_turn=step.do == "turn",
        at_stop=stop,  # type: ignore[arg-type]
        fan_ratio=side.fan_ratio,
        target_m3h=step.target_m3h if step.until == "reads" else None,
    )
    return replace(side, readings=(*side.readings, reading))


def _with_no_hood(dwelling: Dwelling, i: int) -> tuple[float, float]:
    """Return the flow with no hood on by two resistances, and its own relative uncertainty.

    References: BALANCING.md, "Two resistances": q0 = q1 / sqrt(1 - kappa ((q1/q2)^2 - 1)), kappa = K1 / (K2 - K1).
    """
    q1, q2, kappa = dwelling.read(i), dwelling.read(i, TIMES), 1.0 / (TIMES - 1.0)
    part = 1.0 - kappa * ((q1 / q2) ** 2 - 1.0)
    by_second = kappa * (q1 / q2) ** 2 / part
    return q1 / math.sqrt(part), RANDOM_REL * math.hypot(1.0 + by_second, by_second)


def by_textbook(dwelling: Dwelling, found: bool, tally: Tally) -> None:
    climbs, readings, good = 0, 0, True
    for s in (0, 1):
        side = side_of(dwelling, s, found, closing=False)
        while (step := proportional.next_step(side)).do != "done":
            side = done_what(dwelling, s, side, step)
        climbs += n_climbs(side.readings)
        readings += len(side.readings)
        good &= step.why != "no end"
    tally.ended(dwelling, climbs, readings, good)


def by_adviser(dwelling: Dwelling, found: bool, closing: bool, tally: Tally) -> None:
    climbs, readings, good, p_first = 0, 0, True, 1.0 - RISK / 2.0
    begun = dwelling.flows() * (1.0 + dwelling.common)
    for s in (0, 1):
        side = side_of(dwelling, s, found, closing)
        if s == 1:
            # The risk is of both sides together: what the first did not use up is the second's.
            side = replace(side, risk=max(1.0 - (1.0 - RISK) / max(p_first, 1.0 - RISK), 0.01))
        for _ in range(MOST_STEPS):
            began = time.perf_counter()
            advice = advise(side)
            tally.took_s.append(time.perf_counter() - began)
            if len({reading.terminal for reading in side.readings}) == len(side.terminals):
                true = dwelling.flows()[_of(dwelling, s)] * (1.0 + dwelling.common)
                for one, flow in zip(advice.standings, true, strict=True):
                    tally.covered.append(bool(abs(flow - one.now_m3h) <= 1.96 * one.u_own_m3h))
            if advice.step.do == "done":
                break
            side = done_what(dwelling, s, side, advice.step)
        else:
            good = False
        found_m3h = {f"T{i}": flow for i, flow in enumerate(begun)}
        for one in advice.found:
            off = abs(found_m3h[one.id] - one.flow_m3h)
            tally.found_covered.append(bool(off <= 1.96 * one.u_own_m3h))
            tally.found_width.append(1.96 * one.u_own_m3h / one.flow_m3h)
        good &= advice.step.why == "all within"
        p_first = advice.p_all
        climbs += n_climbs(side.readings)
        readings += len(side.readings)
    tally.ended(dwelling, climbs, readings, good)


def _row(name: str, tally: Tally) -> str:
    middle, most = np.percentile(tally.climbs, [50, 90])
    worst = 100.0 * np.percentile(tally.worst, [50, 90])
    pressure = np.percentile(tally.pressure, [50, 90])
    text = (
        f"  {name:20s} climbs {middle:5.1f} / {most:5.1f}   readings {np.median(tally.readings):5.1f}   "
        f"worst {worst[0]:4.1f} / {worst[1]:4.1f} %   pressure "
        f"{pressure[0]:.3f} / {pressure[1]:.3f} (mean {np.mean(tally.pressure):.3f})   wrong "
        f"{100 * np.mean(tally.wrong):4.1f} %   not done {tally.endless}"
    )
    if not tally.covered:
        return text
    width = 100 * np.median(tally.found_width) if tally.found_width else 0.0
    as_found = f", as found {100 * np.mean(tally.found_covered):.1f} % (+-{width:.0f} %)" if tally.found_covered else ""
    return f"{text}   covered {100 * np.mean(tally.covered):.1f} %{as_found}"


def run(seed: int, n_dwellings: int, sizes: list[int], starts: list[bool]) -> bool:
    """Print all figures; return whether all passed."""
    passed = True
    for found in starts:
        for n in sizes:
            textbook, adviser, closing = Tally(), Tally(), Tally()
            for k in range(n_dwellings):
                draw = [seed, n, k, int(found)]
                by_textbook(drawn(np.random.default_rng(draw), n, found), found, textbook)
                by_adviser(drawn(np.random.default_rng(draw), n, found), found, False, adviser)
                by_adviser(drawn(np.random.default_rng(draw), n, found), found, True, closing)
            print(f"{n} terminals, {n_dwellings} dwellings, valves {'as found' if found else 'open'}")
            for name, tally in (("textbook", textbook), ("adviser", adviser), ("with closing round", closing)):
                print(_row(name, tally))
            middle = float(np.median(textbook.climbs))
            checks = [
                ("climbs", float(np.median(adviser.climbs)) / middle, 0.0, CLIMBS),
                ("climbs with a closing round", float(np.median(closing.climbs)) / middle, 0.0, CLIMBS_CLOSING),
                ("worst over textbook's", float(np.median(adviser.worst) / np.median(textbook.worst)), 0.0, 1.0),
                ("fan pressure", float(np.mean(adviser.pressure)), 0.0, PRESSURE),
                ("done wrong", float(np.mean(adviser.wrong)), 0.0, WRONG),
                ("done wrong, closing", float(np.mean(closing.wrong)), 0.0, WRONG),
                ("covered", float(np.mean(adviser.covered)), *COVERED),
                ("advice, 99 in 100, s", float(np.percentile(adviser.took_s, 99)), 0.0, SECONDS),
            ]
            for what, value, low, high in checks:
                good = low <= value <= high
                passed &= good
                print(f"    {what:30s} {value:.3f}  ({low:g} to {high:g})  {'pass' if good else 'FAIL'}")
            sys.stdout.flush()
    return passed


def main() -> int:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description="figures of balancing on dwellings drawn anew")
    parser.add_argument("--seed", type=int, default=None, help="draw the dwellings of an earlier run again")
    parser.add_argument("--dwellings", type=int, default=300, help="dwellings a size")
    parser.add_argument("--sizes", default="8,12,16", help="numbers of terminals")
    parser.add_argument("--start", choices=["found", "open", "both"], default="found", help="valves at the beginning")
    asked = parser.parse_args()
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    print(f"seed {seed}", flush=True)
    starts = {"found": [True], "open": [False], "both": [True, False]}[asked.start]
    passed = run(seed, asked.dwellings, [int(size) for size in asked.sizes.split(",")], starts)
    print("\nfigures:", "pass" if passed else "FAIL")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
