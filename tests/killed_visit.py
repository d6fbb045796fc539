"""A visit whose program is killed at random moments, again and again, while the board and the person go on.

The board is a virtual one in a process of its own; each life of the program is a forked process that opens the visit,
records, guides and answers; what it acknowledges (a decision that returned) it writes down a pipe, one JSON a line.
`lives` kills it with SIGKILL after a drawn time. `check` compares what was acknowledged with what a new program finds.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from hoodtrace.averaging.table import readings_of
from hoodtrace.board.air_motion import Carry, Hold, Rest, Step
from hoodtrace.board.desk import Desk
from hoodtrace.board.scenario import demo_hood_toml, true_hood
from hoodtrace.board.world import Scenario, write_world
from hoodtrace.dwelling.journal import entries
from hoodtrace.dwelling.visit import Visit

COMMAND = Path(sys.executable).with_name("hoodtrace")


def make_visit(folder: Path, n_terminals: int) -> None:
    """Write a plan of supply terminals, and the hood file; a hold ends at 10 % so that lives are short."""
    (folder / "traces").mkdir(parents=True)
    head = '[site]\nname = "Larch Yard 9"\nopen_flued_appliance = "no"\n[hold]\nprecision_rel = 0.10\n'
    head += '[[system]]\nname = "unit"\nkind = "supply"\n'
    rows = (
        f'[[terminal]]\nid = "S{i}"\nroom = "Room {i}"\nsystem = "unit"\ndirection = "supply"\ndesign_m3h = 40.0\n'
        for i in range(1, n_terminals + 1)
    )
    (folder / "visit.toml").write_text(head + "".join(rows), encoding="utf-8")
    (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")


def make_world(folder: Path, seed: int, n_holds: int) -> None:
    """Write a house whose person holds, lifts, and goes on, whatever the program does."""
    import tomllib

    rng = np.random.default_rng(seed)
    steps: list[Step] = [Rest(8.0)]
    for _ in range(n_holds):
        steps += [Rest(3.0), Hold("S", "supply", float(rng.uniform(30, 60)), 20.0, 0.03, (0.3,), (1.0,)), Carry(2.0)]
    write_world(Scenario(true_hood(tomllib.loads(demo_hood_toml()), rng), tuple(steps)), folder, seed)


def life(folder: Path, port: str, pipe: int) -> None:
    """One life of the program: answer what is asked, let the guide give readings; acknowledge each line."""
    desk = Desk(folder, port)
    told = desk.visit.state.n_lines
    desk.start()
    while True:
        with desk.lock:
            new = desk.visit.state.n_lines
            step = desk.visit.step()
            placements = list(desk.visit.state.placements)
        if step.kind == "finish" or (step.question is not None and step.question.id.startswith("valve:")):
            terminals = desk.visit.plan.terminals  # all are read: once round again
            desk.decide({"do": "go", "terminal": terminals[len(placements) % len(terminals)].id})
        elif step.kind == "question" and step.question is not None:
            value: Any = {"choice": (*step.question.options, "")[0], "number": 5.0}.get(step.question.kind, "as it is")
            desk.decide({"do": "answer", "question": step.question.id, "value": value})
        if new != told:
            told = new
            said = [[p.terminal, p.entry.get("trace"), p.entry.get("hold"), p.flow_m3h] for p in placements]
            held = [[key, one["terminal"]] for key, one in list(desk.visit.state.held.items())]
            os.write(pipe, (json.dumps({"lines": new, "readings": said, "held": held}) + "\n").encode())
        time.sleep(0.005)


class Killed:
    """A board, a visit, and lives of the program that end by SIGKILL."""

    def __init__(self, folder: Path, seed: int, n_holds: int, n_terminals: int) -> None:
        self.folder = folder / "visit"
        make_visit(self.folder, n_terminals)
        make_world(folder / "world", seed, n_holds)
        self._board = subprocess.Popen(
            [COMMAND, "virtual", folder / "world", "--clock", "fast"], stdout=subprocess.PIPE, text=True
        )
        self.port = self._find_port()
        self._rng = np.random.default_rng(seed)
        Visit(self.folder).decide({"do": "begin"}, "2030-01-01T00:00:00+00:00")

    def _find_port(self) -> str:
        assert self._board.stdout is not None
        for line in self._board.stdout:
            if line.startswith("port: "):
                return line.removeprefix("port: ").strip()
        raise AssertionError("the virtual board names no port")

    def stop(self) -> None:
        """End the board."""
        self._board.send_signal(signal.SIGINT)
        self._board.wait(10)
        if self._board.stdout is not None:
            self._board.stdout.close()

    def first_reading_s(self) -> float:
        """One life that ends with its first reading: how long that took on this machine."""
        begun_s = time.monotonic()
        n = len(Visit(self.folder).state.placements)
        child = multiprocessing.get_context("fork").Process(
            target=life, args=(self.folder, self.port, os.open(os.devnull, os.O_WRONLY))
        )
        child.start()
        while len(Visit(self.folder).state.placements) == n and time.monotonic() - begun_s < 60.0:
            time.sleep(0.05)
        child.kill()
        child.join()
        return time.monotonic() - begun_s

    def once(self, longest_s: float) -> dict[str, Any]:
        """One life, killed after a drawn time; return the last thing that it acknowledged."""
        out, into = os.pipe()
        context = multiprocessing.get_context("fork")
        child = context.Process(target=life, args=(self.folder, self.port, into))
        child.start()
        os.close(into)
        time.sleep(float(self._rng.uniform(0.02, longest_s)))
        assert child.is_alive(), "the program ended by itself"
        child.kill()
        child.join()
        said = b""
        while block := os.read(out, 65536):
            said += block
        os.close(out)
        whole = said[: said.rfind(b"\n") + 1].splitlines()
        return json.loads(whole[-1]) if whole else {"lines": 0, "readings": []}

    def check(self, acknowledged: dict[str, Any]) -> list[str]:
        """Return what a program that opens the visit now does not find as it was acknowledged."""
        visit = Visit(self.folder)
        faults = []
        if visit.state.n_lines < acknowledged["lines"]:
            faults.append(f"{acknowledged['lines'] - visit.state.n_lines} decisions are lost")
        found = Counter(
            (p.terminal, p.entry.get("trace"), p.entry.get("hold"), p.flow_m3h) for p in visit.state.placements
        )
        said = Counter(tuple(one) for one in acknowledged["readings"])
        faults += [f"lost: {one}" for one in said - found]
        faults += [f"doubled: {one}" for one, n in found.items() if n > 1]
        kept = {
            (str(e.get("key")), e.get("terminal")) for e in entries(self.folder) if e["kind"] in ("reading", "held")
        }
        faults += [f"enough, and lost: {one}" for one in acknowledged.get("held", []) if tuple(one) not in kept]
        questions = Counter(e["question"] for e in entries(self.folder) if e["kind"] == "answer")
        faults += [f"asked twice: {name}" for name, n in questions.items() if n > 1]
        return faults

    def evidence(self) -> tuple[int, list[str]]:
        """Return how many readings stand in the journal, and those that their trace does not give again."""
        visit = Visit(self.folder)
        faults, tables = [], {}
        for placement in visit.state.placements:
            name = str(placement.entry["trace"])
            if name not in tables:
                tables[name] = readings_of(self.folder / name, self.folder / "hood.toml").readings
            again = [
                row["flow_m3h"]
                for row in tables[name]
                if (row["hold"], row["plateau"]) == (placement.entry["hold"], placement.entry["plateau"])
            ]
            if again != [placement.flow_m3h]:
                faults.append(f"{placement.terminal}: journal {placement.flow_m3h}, trace {again}")
        return len(visit.state.placements), faults
