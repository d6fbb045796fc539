"""One time axis for a trace: seconds since its first sample, over restarts of the board.

Inside a boot the board's own clock counts. From boot to boot the time of day in the host's notes bridges the gap;
where there are none, time goes on from the last sample, and that is said.
"""

from __future__ import annotations

from hoodtrace.wire.samples import Clock

LONGEST_S = 1e8
"""No trace is that long (three years)."""


def stretch_s(words: str) -> tuple[float, float] | None:
    """Return the seconds that START..END names; None where it names no stretch that a trace could have.

    Examples
    --------
    >>> stretch_s("12.5..40"), stretch_s("40..12.5"), stretch_s("noon..")
    ((12.5, 40.0), None, None)
    """
    start, dots, end = words.partition("..")
    try:
        ends = float(start), float(end)
    except ValueError:
        return None
    return ends if dots and 0.0 <= ends[0] < ends[1] < LONGEST_S else None


class Timeline:
    """Converts microseconds since a boot to seconds since the trace's first sample.

    Parameters
    ----------
    spans : dict of int to (int, int)
        First and last sample time (us since boot) of each boot number that has samples.
    clocks : list of Clock
        Host notes with the time of day.

    Examples
    --------
    >>> line = Timeline({1: (1_000_000, 3_000_000), 2: (500_000, 700_000)}, [])
    >>> line.seconds(1, 2_000_000), line.seconds(2, 700_000)
    (1.0, 2.2)
    """

    def __init__(self, spans: dict[int, tuple[int, int]], clocks: list[Clock]) -> None:
        self.notes: list[str] = []
        self._shift_s: dict[int, float] = {}
        self.duration_s = 0.0
        epochs: dict[int, float] = {}
        for clock in clocks:
            epochs.setdefault(clock.boot_number, clock.utc_s - clock.t_us * 1e-6)
        before: int | None = None
        for boot, (first_us, last_us) in sorted(spans.items()):
            if before is None:
                shift_s = -first_us * 1e-6
            elif before in epochs and boot in epochs:
                shift_s = self._shift_s[before] + epochs[boot] - epochs[before]
                shift_s = max(shift_s, self.duration_s - first_us * 1e-6)
            else:
                shift_s = self.duration_s - first_us * 1e-6
                self.notes.append(
                    f"time of boot {boot} goes on from the last sample: no clock notes bridge the restart"
                )
            self._shift_s[boot] = shift_s
            self.duration_s = last_us * 1e-6 + shift_s
            before = boot

    def seconds(self, boot: int, t_us: float) -> float:
        """Return seconds since the first sample of the trace."""
        return t_us * 1e-6 + self._shift_s[boot]
