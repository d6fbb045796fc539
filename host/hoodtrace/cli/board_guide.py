"""Runs the self-test with a person: says what to do, shows what comes, and gives the table at the end.

On a terminal each step waits for Enter (`s` skips it) and shows one live line; elsewhere the steps follow each other
and plain lines are written. Ctrl-C ends the test: what was done so far is in the table.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from typing import TYPE_CHECKING

from hoodtrace.board.talk import SILENT_S
from hoodtrace.cli.printable import printable
from hoodtrace.errors import LinkError, MeasurementError

if TYPE_CHECKING:
    from hoodtrace.board.self_test import Known, Outcome, Step
    from hoodtrace.board.talk import Talk

PLAIN_EACH_S = 2.0
CLOCKS_APART = 5.0
"""A step has its time by the board's clock; after so many times as long by ours that clock stands: own choice."""


def run_test(talk: Talk, only: Sequence[str], as_json: bool) -> None:
    """Run the steps named in `only`, empty for all, and print their outcomes.

    Raises
    ------
    MeasurementError
        A step was not as expected, or none could be tested: readings of this board would not deserve trust.
    LinkError
        The board is gone; the outcomes until then were printed.
    """
    from hoodtrace.board.self_test_steps import STEPS

    known = known_of(talk)
    steps = [kind(known) for kind in STEPS if not only or kind.name in only]
    outcomes: list[Outcome] = []
    gone: LinkError | None = None
    ended = False
    talk.streaming = True
    try:
        keys = _Keys() if sys.stdin.isatty() and sys.stderr.isatty() and not as_json else None
        for number, step in enumerate(steps, 1):
            _say(f"\n{number}/{len(steps)} {step.name}: {step.do}\n    expects {step.expects}")
            if step.outcome is None:
                _do_step(talk, step, keys)
            assert step.outcome is not None
            _say(f"    {_verdict(step.outcome)}")
            outcomes.append(step.outcome)
    except LinkError as error:
        gone = error
    except KeyboardInterrupt:
        ended = True
        _say("\nended by Ctrl-C")
    why = "the board was gone" if gone is not None else "ended by Ctrl-C"
    outcomes += [step.stop(why) for step in steps[len(outcomes) :]]
    _print(talk.port, outcomes, as_json)
    if gone is not None:
        raise gone
    bad = [outcome.name for outcome in outcomes if outcome.verdict == "not as expected"]
    if bad:
        again = " ".join(f"--only {name}" for name in bad)
        raise MeasurementError(
            f"{talk.port}: not as expected: {', '.join(bad)}. Mend what the table says, then "
            f"`hoodtrace board --test {again}`; readings with this board can't be trusted before"
        )
    if not ended and all(outcome.verdict == "not tested" for outcome in outcomes):
        raise MeasurementError(f"{talk.port}: nothing could be tested: {outcomes[0].means}")


def known_of(talk: Talk) -> Known:
    """Ask the board for what the steps must know."""
    from hoodtrace.board.cues import CUES
    from hoodtrace.board.identity import ask_about, ask_settings, number_within
    from hoodtrace.board.self_test import Known

    about = ask_about(talk)
    chosen = {setting.name: setting.value for setting in ask_settings(talk)}
    hello, state = about.hello, about.state
    # Wider than any board; what lies outside is not said.
    edges_per_rev = number_within(chosen.get("edges_per_rev"), 1, 1000)
    filter_us = number_within(chosen.get("filter_us"), 1, 1_000_000)
    return Known(
        boot=str(hello.get("boot", "")),
        rate_hz=about.rate_hz or 50.0,
        dp_counts_per_pa=number_within(hello.get("dp_counts_per_pa"), 1e-3, 1e6),
        temp_counts_per_k=number_within(hello.get("dp_temp_counts_per_k"), 1e-3, 1e6),
        dp=None if state is None else state.dp,
        air=None if state is None else state.air,
        edges_per_rev=None if edges_per_rev is None else int(edges_per_rev),
        filter_us=None if filter_us is None else int(filter_us),
        cues=dict(CUES),
    )


def _do_step(talk: Talk, step: Step, keys: _Keys | None) -> None:
    if keys is not None:
        keys.forget()
        _say("    Enter begins, s and Enter skips")
        while (typed := keys.typed()) is None:
            talk.listen()
        if typed.strip().lower().startswith("s"):
            step.stop("skipped")
            return
    end_s = time.monotonic() + CLOCKS_APART * step.limit_s + SILENT_S
    with _display() as show:
        while step.outcome is None:
            if time.monotonic() > end_s:
                step.stop("the board's clock does not go on as time does: restart it with --restart")
                return
            for words in step.commands():
                step.asked_seq = talk.send(words)
            step.feed(talk.listen())
            show(step.seen)


class _Keys:
    """Lines typed on standard input, read beside everything else.

    Reads the descriptor, not `sys.stdin`: a thread that waits inside that object would keep Python from ending.
    """

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while data := os.read(sys.stdin.fileno(), 1024):
            self._lines.put(data.decode(errors="replace"))
        self._lines.put("")  # no more input: go on as without a terminal

    def forget(self) -> None:
        """Drop what was typed before it was asked for."""
        while not self._lines.empty():
            self._lines.get()

    def typed(self) -> str | None:
        """Return a line that was typed, None where there is none yet."""
        return None if self._lines.empty() else self._lines.get()


@contextmanager
def _display() -> Iterator[Callable[[str], None]]:
    """Show what a step sees: one live line on a terminal, else a plain line now and then."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.live import Live
        from rich.text import Text

        with Live(console=Console(stderr=True), auto_refresh=False, transient=True) as live:
            yield lambda seen: live.update(Text("    " + printable(seen)), refresh=True)
        return
    told_s = time.monotonic()

    def show(seen: str) -> None:
        nonlocal told_s
        if time.monotonic() - told_s >= PLAIN_EACH_S:
            told_s = time.monotonic()
            _say("    " + seen)

    yield show


def _say(words: str) -> None:
    print(printable(words), file=sys.stderr, flush=True)


def _verdict(outcome: Outcome) -> str:
    words = outcome.verdict + (f": {outcome.means}" if outcome.means else "")
    return words + (f" ({outcome.seen})" if outcome.seen else "")


def _print(port: str, outcomes: Sequence[Outcome], as_json: bool) -> None:
    as_expected = all(outcome.verdict != "not as expected" for outcome in outcomes)
    if as_json:
        from hoodtrace.cli.board_words import write_json

        steps = [asdict(outcome) | {"values": dict(outcome.values)} for outcome in outcomes]
        write_json({"port": port, "steps": steps, "as_expected": as_expected})
        return
    from rich.console import Console
    from rich.table import Table

    table = Table("step", "verdict", "seen", box=None, pad_edge=False)
    for outcome in outcomes:
        means = f": {outcome.means}" if outcome.means else ""
        table.add_row(outcome.name, printable(outcome.verdict + means), printable(outcome.seen))
    console = Console(highlight=False, markup=False)
    console.print()
    console.print(table)
