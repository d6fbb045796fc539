"""A visit: a folder with plan, hood file, traces and journal, and the decisions that people take in it.

A decision is a dict with ``do``. `decide` checks it against where the visit stands, writes it as a line of the journal,
and only then changes the state; so what is shown is on the disk. Any number of programs may decide in one folder: each
takes a lock for the time of a decision and reads first what others wrote. A decision that answers something that was
answered meanwhile is refused and changes nothing.

This module asks no clock: each decision comes with its time.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hoodtrace.dwelling import journal
from hoodtrace.dwelling.decided import Fields
from hoodtrace.dwelling.decided import NotNow as NotNow
from hoodtrace.dwelling.decisions import AFTER_END, DECISIONS, WHILE_STOPPED
from hoodtrace.dwelling.plan import Plan, Terminal, read_plan
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.state import State, fold
from hoodtrace.dwelling.steps import Step, next_step
from hoodtrace.errors import UsageError, VisitError

PLAN, HOOD, TRACES = "visit.toml", "hood.toml", "traces"


class Visit:
    """An open visit.

    Parameters
    ----------
    folder : Path
        With a plan, a hood file and, once it has begun, a journal.
    past_damage : bool
        Go on past damaged lines of the journal: `wrong` then names them, and `is_rooted` says whether plan and hood
        file are those that it began with.

    Raises
    ------
    VisitError
        Plan or journal can't serve.
    """

    def __init__(self, folder: Path, past_damage: bool = False) -> None:
        self.folder = folder
        self.past_damage = past_damage
        self.wrong: list[tuple[int, str]] = []
        self.is_rooted = True
        self._not_understood: list[tuple[int, str]] = []
        self.plan: Plan = read_plan(folder / PLAN)
        self.state = State(setting=self.plan.settings[0])
        self.torn = b""
        self._seen = (0, 0)
        if (folder / journal.JOURNAL).exists():
            with journal.locked(folder):
                self.torn = journal.drop_torn(folder)
                self._catch_up()

    @property
    def begun(self) -> bool:
        """Whether the visit has begun."""
        return self.state.begun is not None

    def step(self, past_doubt: bool = False) -> Step:
        """Return what comes next, see `next_step`."""
        return next_step(self.plan, self.state, past_doubt)

    def terminal(self, name: object) -> Terminal:
        """Return a terminal by its id.

        Raises
        ------
        UsageError
            There is none.
        """
        here = self.state.terminals(self.plan)
        for terminal in here:
            if terminal.id == name:
                return terminal
        raise UsageError(f"there is no terminal {name!r}: the plan has {', '.join(t.id for t in here)}")

    def refresh(self) -> bool:
        """Read what other programs wrote; return whether there was anything."""
        if not self._is_new():
            return False
        with journal.locked(self.folder):
            before = self.state.n_lines
            journal.drop_torn(self.folder)
            self._catch_up()
            return self.state.n_lines != before

    def decide(self, decision: Mapping[str, Any], utc: str, begins: bool = False) -> Fields:
        """Take a decision, if it fits; return the line that it became.

        Parameters
        ----------
        decision : mapping
            ``do`` and what that needs, see `decisions`; ``version``, if given, is the number of decisions in the
            journal that whoever decides has seen: with newer ones it is refused.
        utc : str
            The time of day, ISO 8601.
        begins : bool
            The visit begins with this decision, if it has not begun.

        Raises
        ------
        NotNow
            It does not fit where the visit stands.
        UsageError
            It is no decision, names an unknown terminal, or a number is out of bounds.
        VisitError
            The journal is damaged, or the disk takes no more.
        """
        make = DECISIONS.get(str(decision.get("do")))
        if make is None:
            raise UsageError(f"{decision.get('do')!r} is nothing that can be decided in a visit")
        with journal.locked(self.folder):
            journal.drop_torn(self.folder)
            self._catch_up()
            version = decision.get("version")
            if version is not None and version != self.state.n_decisions:
                raise NotNow(Say("refused.meanwhile"), "somebody else decided meanwhile: look again, then decide")
            if not self.begun and decision.get("do") != "begin" and not begins:
                raise NotNow(Say("refused.not_begun"), f"{self.folder}: the visit has not begun")
            if self.state.stopped and decision.get("do") not in WHILE_STOPPED:
                raise NotNow(Say("refused.stopped"), f"{self.folder}: the visit is stopped by an alarm")
            if self.state.finished and decision.get("do") not in AFTER_END:
                raise NotNow(Say("refused.finished"), f"{self.folder}: the visit is finished")
            fields = {"kind": "", "utc": utc, **make(self, decision)}
            if not self.begun and fields["kind"] != "begun":
                self._append({"kind": "", "utc": utc, **DECISIONS["begin"](self, {})})
            self._append(fields)
        return fields

    def _append(self, fields: Fields) -> None:
        journal.append(self.folder, fields, past_damage=self.past_damage)
        self._seen = self._stamp()
        fold(self.state, self.plan, fields)

    def _stamp(self) -> tuple[int, int]:
        stat = (self.folder / journal.JOURNAL).stat()
        return stat.st_size, stat.st_mtime_ns

    def _is_new(self) -> bool:
        """Whether the journal is another one than was last read; VisitError where it is gone."""
        path = self.folder / journal.JOURNAL
        if path.exists():
            return self._stamp() != self._seen
        if self.state.n_lines:
            raise VisitError(path, "is gone. Put it back: nothing is written until then")
        return False

    def _catch_up(self) -> None:
        path = self.folder / journal.JOURNAL
        if not self._is_new():
            return
        found: list[dict[str, Any] | None] = []
        if self.past_damage:
            found, self.wrong = journal.sound_entries(self.folder)
            self.is_rooted = journal.is_rooted(self.folder)
        else:
            found += journal.entries(self.folder)
        if len(found) < self.state.n_lines:
            raise VisitError(path, "is shorter than it was: did somebody put an old one in its place?")
        for entry in found[self.state.n_lines :]:
            number = self.state.n_lines + 1
            if entry is None:
                self.state.n_lines += 1
                continue
            try:
                fold(self.state, self.plan, {key: value for key, value in entry.items() if key not in ("prev", "crc")})
            except (LookupError, TypeError, ValueError, AttributeError, OverflowError, UsageError) as error:
                text = f"line {number} has a right checksum, but says nothing that this program understands"
                if not self.past_damage:
                    raise VisitError(path, text, str(number)) from error
                self._not_understood.append((number, text))
        self.wrong = sorted([*self.wrong, *self._not_understood])
        self._seen = self._stamp()
