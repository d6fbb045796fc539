"""A visit looked at afterwards: its traces as they are, its windows as they were found and as people chose them.

`Review` reads the traces once and keeps them; the traces are never written. A change is worked out, averaged and shown
before it is made (`preview`) and is one line of the journal once it is (`change`). What can't be read is named in
`problems`, and the rest goes on: a trace that is gone or was changed since it was closed keeps the numbers that the
journal has of it, and takes no changes.

Methods may be called from several threads. This module asks no clock: each change comes with its time.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.averaging.session import Outcome
from hoodtrace.dwelling.changes import as_said, changed
from hoodtrace.dwelling.decided import NotNow
from hoodtrace.dwelling.ground import Ground, named
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.reckoned import once, reckoned
from hoodtrace.dwelling.review_traces import ReviewTraces
from hoodtrace.dwelling.reviewed import standing
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.state import State
from hoodtrace.dwelling.view import series_bytes
from hoodtrace.dwelling.visit import HOOD, Visit
from hoodtrace.dwelling.why import Beside, Why, why
from hoodtrace.dwelling.window import Window, as_entry
from hoodtrace.dwelling.window_json import axis_fields, terminal_fields, window_fields
from hoodtrace.errors import TraceError, VisitError
from hoodtrace.physics.hood import read_hood

Fields = dict[str, Any]


class Review:
    """The review of the visit in `folder`.

    Raises
    ------
    VisitError, HoodError
        The folder has no plan or hood file that can serve, or its journal can't be read at all.
    """

    def __init__(self, folder: Path) -> None:
        self.visit = Visit(folder, past_damage=True)
        self.folder = folder
        self.hood, self.hood_sha256 = read_hood(folder / HOOD)
        self.lock = threading.RLock()
        self._journal_wrong = ""
        self.traces = ReviewTraces(folder, self.hood, self.hood_sha256, _known(self.visit.state))

    def load(self, on_change: Callable[[], None] | None = None, ahead: bool = True) -> None:
        """Read the traces, one after the other; `on_change` is called whenever there is more to see; see `keep`."""

        def told(kept: KeptTrace | None = None) -> None:
            with self.lock:
                self.traces.draw(kept)
            if on_change is not None:
                on_change()

        for path, trace in self.traces.all.items():
            read = self.traces.read(trace, told, ahead)
            with self.lock:
                self.traces.all[path] = read
            told()

    # ---- what stands

    @property
    def version(self) -> int:
        """The number of decisions in the journal; looks whether other programs wrote."""
        with self.lock:
            self._refresh()
            return self.visit.state.n_decisions

    @property
    def loading(self) -> Fields:
        """Whether all traces have been read, and which share of them has."""
        share = self.traces.share_read
        return {"done": share == 1.0, "share": share}

    def unusable(self) -> list[dict[str, str]]:
        """Return what can't be used, where and why."""
        with self.lock:
            self._refresh()
            found = [{"where": path, "text": why} for path in self.traces.all if (why := self._why(path))]
            said = [text for _, text in self.visit.wrong] + ([self._journal_wrong] if self._journal_wrong else [])
            if self.visit.torn:
                said.append("the last line was cut off by a loss of power; what was left of it is in journal.torn")
            return [*found, *({"where": JOURNAL, "text": text} for text in said)]

    def problems(self) -> list[dict[str, str]]:
        """Return what can't be used, and what else is to be known of what is shown."""
        with self.lock:
            said = self.unusable()
            if not self.visit.begun and self.traces.all:
                said.append({"where": JOURNAL, "text": "there is none: nothing says which terminal a reading is of"})
            growing = "is still being recorded: what came after this was opened is not shown"
            return said + [{"where": path, "text": f"{path} {growing}"} for path in self._growing()]

    def windows(self) -> dict[str, Window]:
        """Return the windows as they stand, by id, in the order of traces and time."""
        with self.lock:
            return dict(self._ground().windows)

    def kept(self, window: Window) -> KeptTrace:
        """Return the trace of a window.

        Raises
        ------
        TraceError
            It can't be used.
        """
        trace = self.traces.all.get(window.trace)
        if trace is None or trace.kept is None:
            path = self.folder / window.trace
            why = self._why(window.trace).removeprefix(f"{path}: ")
            raise TraceError(path, why or "has not been read yet: open the review again")
        return trace.kept

    def window(self, name: str) -> Window:
        """Return a window by its id; the trace's part may be left out where only one has it.

        Raises
        ------
        UsageError
            There is none.
        """
        return named(self.windows(), name)

    def why(self, name: str) -> Why:
        """Return what explains the reading of a window, see `why`.

        Raises
        ------
        UsageError
            There is no such window.
        TraceError
            Its trace can't be used.
        """
        window = self.window(name)
        others = [self._beside(w) for w in self.windows().values() if w.counts and self._is_usable(w.trace)]
        return why(self.kept(window), window.place, window.id, self.folder / HOOD, self.hood_sha256, others)

    def outcome(self, window: Window) -> Outcome:
        """Return what a window's air says now.

        Raises
        ------
        TraceError, UsageError
            Its trace can't be used, or has no such window.
        """
        kept = self.kept(window)
        return kept.outcome(window.hold, window.plateau) if window.by == "automatic" else kept.reading(window.place)

    def _beside(self, window: Window) -> Beside:
        return Beside(window.id, self.outcome(window), self.kept(window).utc_s(window.boot, window.start_us))

    def state(self) -> Fields:
        """Return all that a page shows, see "Review" in DEVELOPERS.md."""
        with self.lock:
            self._refresh()
            ground, reviewed = self._ground(), self.visit.state.reviewed
            return {
                "version": self.visit.state.n_decisions,
                "site": self.visit.plan.site.name,
                "setting": self.visit.state.setting,
                "loading": self.loading,
                "problems": self.problems(),
                "axis": axis_fields(self.traces.view.axis),
                "terminals": terminal_fields(self.visit.state.terminals(self.visit.plan), self.visit.state.setting),
                "windows": self._fields(ground.windows.values(), ground),
                "marks": self.traces.marks(),
                "undo": _named(reviewed.done),
                "redo": _named(reviewed.undone),
            }

    def series(self, x0: float, x1: float, n: int) -> bytes:
        """Return both channels between two places of the axis, for a picture of `n` columns, see `series_bytes`."""
        return series_bytes(self.traces.view, x0, x1, n)

    # ---- changes

    def preview(self, change: Mapping[str, Any]) -> Fields:
        """Return the windows that `change` touches, before and after it; nothing is written.

        Raises
        ------
        UsageError
            It does not fit.
        TraceError
            Its trace can't be used.
        """
        with self.lock:
            return self._worked_out(change)[0]

    def change(self, change: Mapping[str, Any], utc: str, version: int | None = None) -> Fields:
        """Make a change; return the windows that it touched, before and after.

        Parameters
        ----------
        change : mapping
            ``do`` and what that needs, see `changes`.
        utc : str
            The time of day, ISO 8601.
        version : int or None
            The number of decisions that whoever changes has seen: with newer ones it is refused.

        Raises
        ------
        UsageError
            It does not fit; NotNow where somebody else decided meanwhile.
        TraceError, VisitError
            Its trace can't be used, or the journal takes no line.
        """
        with self.lock:
            self.visit.refresh()
            self._same(version)
            if not self.visit.is_rooted:
                what = "is not the one that the visit began with, or the plan is not: put the true ones back"
                raise VisitError(self.folder / HOOD, f"{what}. Nothing was changed")
            shown, windows = self._worked_out(change)
            line = {"do": "review", "change": as_said(change), "windows": [as_entry(w) for w in windows]}
            self.visit.decide({**line, "version": self.visit.state.n_decisions}, utc, begins=True)
            return {**shown, "version": self.visit.state.n_decisions}

    def undo(self, utc: str, version: int | None = None) -> Fields:
        """Take the newest change back; raises as `change`."""
        return self._step("review undo", utc, version)

    def redo(self, utc: str, version: int | None = None) -> Fields:
        """Make the newest change that was taken back again; raises as `change`."""
        return self._step("review redo", utc, version)

    def _step(self, do: str, utc: str, version: int | None) -> Fields:
        with self.lock:
            self.visit.refresh()
            self._same(version)
            reviewed = self.visit.state.reviewed
            stack = reviewed.done if do == "review undo" else reviewed.undone
            ids = stack[-1].ids if stack else ()
            before = self._shown(ids)
            self.visit.decide({"do": do, "version": self.visit.state.n_decisions}, utc)
            return {"before": before, "after": self._shown(ids), "version": self.visit.state.n_decisions}

    def _same(self, version: int | None) -> None:
        if version is not None and version != self.visit.state.n_decisions:
            raise NotNow(Say("refused.meanwhile"), "somebody else decided meanwhile: look again, then decide")

    def _worked_out(self, change: Mapping[str, Any]) -> tuple[Fields, list[Window]]:
        """Return the change's windows for people, and as they are to be kept."""
        ground = self._ground()
        before = {**ground.windows, **ground.gone}
        if change.get("id") is not None:
            self._usable(named(before, change["id"]))
        windows = [self._reckoned(window, before.get(window.id), ground) for window in changed(ground, change)]
        after = {**ground.windows, **{window.id: window for window in windows}}
        for window in windows:
            once(window, after.values(), ground.automatic)
        old = self._fields([ground.windows[w.id] for w in windows if w.id in ground.windows], ground)
        new = self._fields([window for window in windows if not window.gone], ground)
        return {"before": old, "after": new, "version": self.visit.state.n_decisions}, windows

    def _reckoned(self, window: Window, before: Window | None, ground: Ground) -> Window:
        """Return a window with the reading that it gives; TraceError where its trace can't be used."""
        return reckoned(window, before, self._usable(window), ground.automatic, ground.terminals, self.visit.state)

    # ---- inside

    def _refresh(self) -> None:
        """Read what other programs wrote; a journal that can't be read any more is a problem, and all else goes on."""
        try:
            self.visit.refresh()
            self._journal_wrong = ""
        except VisitError as error:
            self._journal_wrong = str(error)

    def _usable(self, window: Window) -> KeptTrace:
        """Return the trace of a window; TraceError where it can't be used."""
        kept, why, path = self.kept(window), self._why(window.trace), self.folder / window.trace
        if why:
            raise TraceError(path, why.removeprefix(f"{path}: "))
        return kept

    def _growing(self) -> list[str]:
        """Return the traces that have grown since they were read."""
        return [path for path, trace in self.traces.all.items() if self.traces.has_grown(trace) and not self._why(path)]

    def _is_usable(self, path: str) -> bool:
        return path in self.traces.all and self.traces.all[path].kept is not None and not self._why(path)

    def _why(self, path: str) -> str:
        """Return why a trace can't be used now; empty where it can."""
        trace = self.traces.all.get(path)
        return "" if trace is None else self.traces.why(trace, self.visit.state.traces.get(path, {}))

    def _ground(self) -> Ground:
        """Return what changes build on: the windows of all traces."""
        automatic: dict[str, Window] = {}
        for trace in self.traces.all.values():
            automatic |= self.traces.found(trace, self.visit.state).windows
        chosen = standing(self.visit.state.given, self.visit.state.reviewed)
        windows: dict[str, Window] = {}
        gone: dict[str, Window] = {}
        for name, window in {**automatic, **chosen}.items():
            if window.by == "automatic" and name in automatic:
                window = replace(automatic[name], notes=window.notes)
            (gone if window.gone else windows)[name] = window
        ordered = dict(sorted(windows.items(), key=lambda item: _order(item[1])))
        terminals = {t.id: t.direction for t in self.visit.state.terminals(self.visit.plan)}
        settings = self.visit.plan.settings
        return Ground(ordered, automatic, gone, terminals, settings, self.traces.place, self.traces.seconds)

    def _shown(self, ids: tuple[str, ...]) -> list[Fields]:
        ground = self._ground()
        return self._fields([ground.windows[name] for name in ids if name in ground.windows], ground)

    def _fields(self, windows: Iterable[Window], ground: Ground) -> list[Fields]:
        """Return windows as objects; what is the same for all of a trace is asked once."""
        terminals = {t.id: t for t in self.visit.state.terminals(self.visit.plan)}
        back = {name for trace in self.traces.all.values() for name in trace.found.taken_back}
        usable = {path for path in self.traces.all if self._is_usable(path)}
        rule, shift_s = self.visit.plan.rule, self.traces.view.axis.shift_s
        found = []
        for window in windows:
            automatic = ground.automatic.get(window.id)
            fields = window_fields(window, automatic, terminals, rule, self._seconds, window.id in back)
            fields["x_shift_s"] = shift_s(window.trace, window.boot, fields["start_s"])
            fields["editable"] = window.trace in usable
            found.append(fields)
        return found

    def _seconds(self, window: Window, t_us: int) -> float:
        start_s = window.reading.get("start_s")
        trace = self.traces.all.get(window.trace)
        if (trace is None or not self.traces.is_true(trace, self.visit.state)) and start_s is not None:
            # Without the trace nothing but the reading tells what its seconds are.
            return float(start_s) + (t_us - window.start_us) * 1e-6
        return self.traces.seconds(window.trace, window.boot, t_us)


def _known(state: State) -> set[str]:
    """Return the traces that the journal names, or has readings of."""
    given = {str(p.entry["trace"]) for p in state.given if p.entry.get("trace")}
    return {*state.traces, *given, *(window.trace for window in state.reviewed.windows().values())}


def _named(changes: list[Any]) -> Fields | None:
    """Return what undo or redo would do."""
    return {"do": changes[-1].did.get("do"), "ids": list(changes[-1].ids)} if changes else None


def _order(window: Window) -> tuple[str, int, int, int]:
    return window.trace, window.boot, window.start_us, window.plateau
