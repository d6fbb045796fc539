"""The steps of the self-test, in the order in which a person does them: `STEPS`.

Each class says what to do, what it expects and why a result is not as expected. Limits stand beside the step with their
source; sizes of pressure limits come from data-sheet figures of flow-through chips with a range of 125 or 500 Pa.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from hoodtrace.board.self_test import Known, Step, missing_sensor
from hoodtrace.board.vane_check import MOST_EDGES, regularity
from hoodtrace.wire.lines import BUTTON_DOWN, GRID_SLIP, INTERRUPTS_WERE_OFF, SEQ_MODULUS, TEMP_INVALID

ZERO_LIMIT_PA = 0.5
"""Five times the zero-point accuracy of chips of 500 Pa range, 0.1 Pa (0.08 Pa at 125 Pa; data sheets, from memory)."""
NOISE_LIMIT_PA = 0.1
"""Twice the zero-point repeatability, 0.05 Pa (data sheets, from memory): more is a draught at an open end."""
NOT_VALID_LIMIT = 0.01
"""From this share on a reading leaves the pressure channel out."""
BREATH_PA = 2.0
"""Four times the zero limit: own choice; a soft breath gives ten times that."""
BREATH_S = 0.5
PRESSURES_PA = (80_000.0, 110_000.0)
"""From 2000 m above the sea to a winter high, rounded: common practice, no source."""
TEMPS_C = (-10.0, 50.0)
"""Where people measure: own choice, inside the rated range of both chips."""
APART_LIMIT_K = 5.0
"""Chips warm themselves by 1 to 2 K (from memory); more than 5 K apart is a wrong value or the sun: own choice."""
SPREAD_LIMIT = 0.2
"""Own choice, from trials with a simulated vane: with edges off their even places by up to a quarter of the spacing
(a spread of about 0.2) up to 3 of 20 good run-downs were called irregular; with a tenth of the spacing none."""
WIRES = "check the chip's four wires and their pull-ups"


class Rest(Step):
    """Nobody touches: a vane at rest makes no edges."""

    name = "rest"
    do = "Put the hood down, keep away from it, let no air move."
    expects = "no edge of the vane for 3 s"

    def judge(self, over: bool) -> None:
        """Wait for 3 s of stillness."""
        n = int(self.n_edges[-1])
        self.seen = f"{n} edges, still for {self.still_s:.1f} s"
        if self.still_s >= 3.0:
            self._good(f"no edge for {self.still_s:.1f} s", n_edges=n)
        elif over:
            self._bad(
                f"{n} edges in {self.elapsed_s:.0f} s",
                "air moves past the vane: close both ends with your hands. Edges that still come are picked up by the "
                "wire: check its pull-up and shield",
                n_edges=n,
            )


class Vane(Step):
    """A breath: edges are counted, evenly, and the vane runs down smoothly."""

    name = "vane"
    do = "Blow gently into the hood for 2 s, then let the vane run down by itself."
    expects = "at least 5 revolutions within 20 s, evenly spaced edges, a smooth run-down"
    limit_s = 20.0
    fewest_revs: ClassVar[int] = 5

    def judge(self, over: bool) -> None:
        """Wait for turning and stillness, then look at each interval."""
        rev, n = self.known.edges_per_rev or 4, int(self.n_edges[-1])
        revs = n / rev
        assumed = "" if self.known.edges_per_rev else f" (taking {rev} edges a revolution; the board does not say)"
        self.seen = f"{n} edges, {revs:.1f} revolutions{assumed}"
        if not over and not (revs >= self.fewest_revs and self.still_s > 2.0):
            return
        found = regularity(self.column("t_us"), self.n_edges, self.column("age_us"), rev)
        spread = found.spread_rel
        seen = self.seen + ("" if spread is None else f", spacing even within {100 * spread:.0f} %")
        means = self._means(n, revs)
        if not means and found.shortest_us is not None and found.shortest_us < (self.known.filter_us or 0):
            means = (
                f"edges {found.shortest_us:.0f} us apart passed a filter of {self.known.filter_us} us: not our wiring"
            )
        if not means and found.n_short:
            means = f"{found.n_short} intervals far too short: bounce; choose a longer filter: --set filter_us=500"
        elif not means and found.n_long:
            means = f"{found.n_long} intervals about twice as long: edges are missed; bring pickup and vane closer"
        elif not means and spread is not None and spread > SPREAD_LIMIT:
            means = "very uneven: a blade or magnet is missing, or --set edges_per_rev=N is wrong"
        elif not means and not found.n_judged:
            means = "too little to judge the spacing: blow, then let the vane run down; if it stops at once, it rubs"
        figures = {"n_edges": n, "revolutions": revs, "spread_rel": spread, "shortest_us": found.shortest_us}
        counts = {"n_judged": found.n_judged, "n_short": found.n_short, "n_long": found.n_long}
        if means:
            self._bad(seen, means, **figures, **counts)
        else:
            self._good(seen, **figures, **counts)

    def _means(self, n: int, revs: float) -> str:
        if n == 0:
            return "not one edge: check the pickup's supply and its wire, and the pin in the settings (pin_vane)"
        if n > MOST_EDGES:
            return "no vane turns so fast: the wire picks up noise, or it is on another pin than pin_vane says"
        if revs < self.fewest_revs:
            return "too few: the vane rubs, or the pickup is too far from it; blow a little harder"
        return ""


class _Pressure(Step):
    """What steps with the pressure chip share."""

    def untestable(self) -> str:
        """Return why there is no pressure."""
        missing = missing_sensor(self.known.dp, "pressure chip", "dp=sdp")
        return missing or ("" if self.known.dp_counts_per_pa else "the board has not found a pressure chip")


class Tubes(_Pressure):
    """Both ports on one tube: the chip's zero, its noise, its temperature."""

    name = "tubes"
    do = "Bridge the pressure chip's two ports with one short tube."
    expects = f"|dp| under {ZERO_LIMIT_PA} Pa, noise under {NOISE_LIMIT_PA} Pa"
    limit_s = 5.0

    def judge(self, over: bool) -> None:
        """Average five seconds."""
        dp_pa, not_valid = self.dp_pa()
        self.seen = f"dp {dp_pa[-50:].mean():+.3f} Pa" if len(dp_pa) else "no valid value yet"
        if not over:
            return
        if not_valid > NOT_VALID_LIMIT:
            self._bad(f"{100 * not_valid:.0f} % of the values not valid", WIRES, not_valid_rel=not_valid)
            return
        zero_pa, noise_pa, temp_c = float(dp_pa.mean()), float(dp_pa.std()), chip_temp_c(self)
        seen = f"dp {zero_pa:+.3f} Pa, noise {noise_pa:.3f} Pa"
        seen += "" if temp_c is None else f", chip at {temp_c:.1f} C"
        if noise_pa >= NOISE_LIMIT_PA:
            means = "the ports are not bridged, or a draught blows at an open end"
        elif abs(zero_pa) >= ZERO_LIMIT_PA:
            means = "the ports are not bridged, the tube is kinked or wet, or the chip is worn out"
        elif temp_c is not None and not TEMPS_C[0] <= temp_c <= TEMPS_C[1]:
            means = f"no temperature to measure at: {WIRES}"
        else:
            self._good(seen, zero_pa=zero_pa, noise_pa=noise_pa, temp_c=temp_c)
            return
        self._bad(seen, means, zero_pa=zero_pa, noise_pa=noise_pa, temp_c=temp_c)


class Direction(_Pressure):
    """Pressure on the plate's side: the sign of supply air."""

    name = "direction"
    do = "Take the bridge off. Breathe softly into the tube that goes to the hood's plate, the other one open."
    expects = f"dp over +{BREATH_PA:g} Pa for {BREATH_S:g} s: positive is higher pressure at the plate, supply air"
    limit_s = 20.0

    def judge(self, over: bool) -> None:
        """Take the first half second that is clear."""
        dp_pa, not_valid = self.dp_pa(int(self.column("t_us")[-1] - BREATH_S * 1e6))
        mean_pa = float(dp_pa.mean()) if len(dp_pa) else 0.0
        self.seen = f"dp {mean_pa:+.1f} Pa"
        whole = self.elapsed_s >= BREATH_S and len(dp_pa) > 0
        if whole and mean_pa > BREATH_PA:
            self._good(f"dp {mean_pa:+.1f} Pa: the sign is right", dp_pa=mean_pa)
        elif whole and mean_pa < -BREATH_PA:
            self._bad(f"dp {mean_pa:+.1f} Pa", "the two tubes are swapped: swap them at the chip", dp_pa=mean_pa)
        elif over and not_valid > NOT_VALID_LIMIT:
            self._bad("no valid values", WIRES, dp_pa=None)
        elif over:
            self._bad(
                f"dp {mean_pa:+.1f} Pa, never over {BREATH_PA:g} Pa",
                "no pressure arrives: a tube is off, kinked or blocked, or the ports are still bridged",
                dp_pa=mean_pa,
            )


class Air(Step):
    """Barometer, temperature, humidity, and whether both chips feel the same air."""

    name = "air"
    do = "Nothing: hood and board lie in the room's shade."
    expects = (
        f"{PRESSURES_PA[0] / 100:.0f} to {PRESSURES_PA[1] / 100:.0f} hPa, {TEMPS_C[0]:.0f} to {TEMPS_C[1]:.0f} C, "
        f"0 to 100 %, within {APART_LIMIT_K:g} K of the pressure chip"
    )
    limit_s = 15.0

    def untestable(self) -> str:
        """Return why there is no air sensor."""
        return missing_sensor(self.known.air, "air sensor", "air=bme280")

    def judge(self, over: bool) -> None:
        """Take the first message of the sensor."""
        said = next((body for body in self.messages if body.get("kind") == "air"), None)
        self.seen = "waiting for its values, which come every few seconds"
        if said is None:
            if over:
                self._bad(f"no values in {self.elapsed_s:.0f} s", "no air sensor answers: check its four wires")
            return
        values = [said.get(key) for key in ("pressure_pa", "temp_c", "rh_pct")]
        pressure_pa, temp_c, rh_pct = (float(v) if isinstance(v, int | float) else np.nan for v in values)
        chip_c = chip_temp_c(self)
        seen = f"{pressure_pa / 100:.1f} hPa, {temp_c:.1f} C, {rh_pct:.0f} %"
        seen += "" if chip_c is None else f"; pressure chip {chip_c:.1f} C"
        if not PRESSURES_PA[0] <= pressure_pa <= PRESSURES_PA[1]:
            means = "no pressure that weather makes: the sensor is not of the BME280 type, or broken"
        elif not TEMPS_C[0] <= temp_c <= TEMPS_C[1]:
            means = "no temperature to measure at: the sensor is broken, or lies in the sun"
        elif not 0.0 <= rh_pct <= 100.0:
            means = "no humidity: the sensor is of a type without it, or broken"
        elif chip_c is not None and abs(temp_c - chip_c) > APART_LIMIT_K:
            means = "the two chips are not in the same air: one is warmed by the board, a hand or the sun"
        else:
            means = ""
        figures = {"pressure_pa": pressure_pa, "temp_c": temp_c, "rh_pct": rh_pct, "chip_temp_c": chip_c}
        known = {name: None if value is None or np.isnan(value) else value for name, value in figures.items()}
        if means:
            self._bad(seen, means, **known)
        else:
            self._good(seen, **known)


class Button(Step):
    """Short, long and double presses."""

    name = "button"
    do = "Press the button: once short, once for about a second, and twice quickly. Any order."
    expects = "a short, a long and a double press"
    limit_s = 30.0
    presses: ClassVar[tuple[str, ...]] = ("short", "long", "double")

    def judge(self, over: bool) -> None:
        """Collect presses."""
        said = [body.get("press") for body in self.messages if body.get("kind") == "button"]
        counts = {f"n_{press}": said.count(press) for press in self.presses}
        came = [press for press in self.presses if counts[f"n_{press}"]]
        self.seen = "seen: " + (", ".join(came) or "none")
        if len(came) == len(self.presses):
            self._good(self.seen, **counts)
            return
        if not over:
            return
        down = (self.column("flags") & BUTTON_DOWN) != 0
        if down.all():
            means = "the button reads as held all the time: it is wired to the wrong legs, or shorted"
        elif came:
            means = f"not seen: {', '.join(p for p in self.presses if p not in came)}; press more clearly"
        elif down.any():
            means = "the button works, but the firmware names no presses: it is older; run `hoodtrace install`"
        else:
            means = "the button is not pressed, or not between its pin and ground"
        self._bad(self.seen, means, **counts)


class Cues(Step):
    """Each cue of the buzzer and the LED, one after the other."""

    name = "cues"
    do = "Listen: each cue is played once and named."
    expects = "that you hear each one and can tell them apart; the board can't hear itself"
    each_s: ClassVar[float] = 2.5

    def __init__(self, known: Known) -> None:
        self._names = list(known.cues)
        self._asked = False
        self._begun_us = 0
        self._refused: list[str] = []
        self._n_played = 0
        self.limit_s = 2 * self.each_s * (len(self._names) + 1)
        super().__init__(known)

    def untestable(self) -> str:
        """Return why there are no cues."""
        return "" if self.known.cues else "this program knows no cues"

    def commands(self) -> list[str]:
        """Ask for the next cue when the last one is through."""
        if not self._names or self._asked or self.outcome is not None or not len(self.rows):
            return []
        self._asked, self._begun_us = True, int(self.column("t_us")[-1])
        self.messages.clear()
        return [f"cue {self._names[0]}"]

    def judge(self, over: bool) -> None:
        """Go on to the next when one has had its time."""
        if self._asked:
            name = self._names[0]
            self.seen = f"{name}: {self.known.cues[name]}"
            replies = [b for b in self.messages if b.get("kind") == "reply" and b.get("to") == self.asked_seq]
            if replies and replies[0].get("ok") is not True:
                why = str(replies[0].get("why", "no reason given"))
                if why == "unknown command":
                    self.stop("the firmware is older and knows no cues: run `hoodtrace install`")
                    return
                self._refused.append(f"{name} ({why})")
                self._next()
            elif replies and (self.column("t_us")[-1] - self._begun_us) / 1e6 >= self.each_s:
                self._n_played += 1
                self._next()
        if not self._names and not self._refused:
            heard = "; ".join(f"{name}: {means.partition(':')[0]}" for name, means in self.known.cues.items())
            self._good(f"{self._n_played} played. You should have heard {heard}", n_played=self._n_played)
        elif not self._names or over:
            lost = [f"{name} (no reply)" for name in self._names]
            self._bad(
                f"{self._n_played} played",
                f"the board refused {', '.join(self._refused + lost)}",
                n_played=self._n_played,
            )

    def _next(self) -> None:
        del self._names[0]
        self._asked = False


class Stream(Step):
    """Ten seconds of lines: none lost, none late."""

    name = "stream"
    do = "Nothing: the cable is tested."
    expects = "10 s of lines with none lost, none late, and TIME even within half a period"

    def judge(self, over: bool) -> None:
        """Count."""
        period_us = 1e6 / self.known.rate_hz
        self.seen = f"{len(self.rows)} samples in {self.elapsed_s:.1f} s"
        if not over:
            return
        ahead = (np.array(self.seqs) - self.seqs[0] + SEQ_MODULUS // 2) % SEQ_MODULUS - SEQ_MODULUS // 2
        n_lost = int(ahead.max() - ahead.min()) + 1 - len(np.unique(ahead))
        n_late = int(((self.column("flags") & GRID_SLIP) != 0).sum())
        n_off = int(((self.column("flags") & INTERRUPTS_WERE_OFF) != 0).sum())
        jitter_us = float(np.abs(np.diff(self.column("t_us")) - period_us).max()) if n_lost == 0 else None
        seen = f"{self.seen}: {n_lost} lost, {n_late} late"
        seen += "" if jitter_us is None else f", TIME even within {jitter_us / 1000:.2f} ms"
        figures = {"n_samples": len(self.rows), "n_lost": n_lost, "n_late": n_late, "jitter_us": jitter_us}
        if n_lost:
            self._bad(seen, "lines get lost: change the cable or the USB port, leave out the hub", **figures)
        elif n_off:
            self._bad(seen, "the board wrote to flash meanwhile: do this step again", **figures)
        elif n_late:
            self._bad(seen, "the board does not keep up: choose a lower rate with --set rate_hz=50", **figures)
        elif jitter_us is not None and jitter_us >= period_us / 2:
            self._bad(seen, "the board is busy with something else; restart it with --restart", **figures)
        else:
            self._good(seen, **figures)


STEPS: tuple[type[Step], ...] = (Rest, Vane, Tubes, Direction, Air, Button, Cues, Stream)


def chip_temp_c(step: Step) -> float | None:
    """Return the median temperature [degC] that the pressure chip feels, None where it says none."""
    per_k = step.known.temp_counts_per_k
    valid = (step.column("flags") & TEMP_INVALID) == 0
    return float(np.median(step.column("raw_temp")[valid])) / per_k if per_k and valid.any() else None
