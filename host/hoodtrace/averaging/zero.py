"""The zero of dp: found again whenever the hood hangs free, and chosen for each hold.

A free stretch counts if no hold overlaps it, if its mean is known better than the hood file's `u_zero_pa`, and if it
agrees with the file's zero within three of them; else the older zero stays, and that is a doubt. A hold takes the last
zero before it; where there is none, the first after it. Times in us since boot.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field, replace

from hoodtrace.physics.hood import Taps


@dataclass(frozen=True, slots=True)
class Rest:
    """Free-hanging air: mean dp and the standard uncertainty that the chip's noise leaves in it, Pa."""

    start_us: int
    stop_us: int
    mean_pa: float
    u_pa: float


@dataclass(slots=True)
class Zeros:
    """Rests and holds of one boot, each in time order; `older_pa` is the last zero of the boot before."""

    taps: Taps | None
    patience_us: float
    older_pa: float | None = None
    rests: list[Rest] = field(default_factory=list)
    _doubts: list[Rest] = field(default_factory=list)
    _starts_us: list[int] = field(default_factory=list)
    _stops_us: list[int] = field(default_factory=list)

    def hang(self, rest: Rest) -> None:
        """Take a free stretch."""
        if self.taps is None:
            return
        # With a zero known better than the chip's noise can tell, the file's stands.
        doubt = 3.0 * max(self.taps.u_zero_pa, rest.u_pa)
        if abs(rest.mean_pa - self.taps.zero_pa) > doubt:
            self._doubts.append(rest)
        elif rest.u_pa < self.taps.u_zero_pa:
            self.rests.append(rest)

    def hold(self, start_us: int, stop_us: int) -> None:
        """Take note of a hold; holds come in time order."""
        self._starts_us.append(start_us)
        self._stops_us.append(stop_us)

    def settled(self, start_us: int, stop_us: int) -> bool:
        """Whether nothing that comes later can change the zero of a hold."""
        return self.taps is None or self.older_pa is not None or self.chosen(start_us, stop_us) is not None

    def at(self, start_us: int, stop_us: int) -> tuple[float, bool]:
        """Return the zero for a hold (Pa), and whether a doubt came since it was found."""
        if self.taps is None:
            return 0.0, False
        rest = self.chosen(start_us, stop_us)
        before = rest is not None and rest.stop_us <= start_us
        since_us = rest.stop_us if rest is not None and before else -1
        last = self._last_before(self._doubts, start_us)
        doubtful = last is not None and last.stop_us > since_us
        if not before and self.older_pa is not None:
            return self.older_pa, doubtful
        return (rest.mean_pa if rest is not None else self.taps.zero_pa), doubtful

    def fork(self) -> Zeros:
        """Return a copy that goes on for itself."""
        lists = {name: getattr(self, name).copy() for name in ("rests", "_doubts", "_starts_us", "_stops_us")}
        return replace(self, **lists)

    def newest_pa(self) -> float | None:
        """Return the last zero that was found, for the next boot."""
        return self.rests[-1].mean_pa if self.rests else self.older_pa

    def chosen(self, start_us: int, stop_us: int) -> Rest | None:
        """Return the rest that a hold takes its zero from: the last before it, else the first soon after it."""
        before = self._last_before(self.rests, start_us)
        if before is not None:
            return before
        after = bisect_left(self.rests, stop_us, key=lambda rest: rest.start_us)
        if after < len(self.rests) and self.rests[after].stop_us - stop_us <= self.patience_us:
            return self.rests[after]
        return None

    def _last_before(self, rests: list[Rest], start_us: int) -> Rest | None:
        at = bisect_right(rests, start_us, key=lambda rest: rest.stop_us)
        while at > 0 and self._in_a_hold(rests[at - 1]):
            at -= 1
        return rests[at - 1] if at else None

    def _in_a_hold(self, rest: Rest) -> bool:
        near = bisect_right(self._stops_us, rest.start_us)
        return near < len(self._starts_us) and self._starts_us[near] < rest.stop_us
