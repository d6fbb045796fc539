"""A scripted board that knows the newer questions: identity, crash, settings, cues, restart. Faults are attributes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from scripted_board import ScriptedBoard, spoken

IDENTITY = {"firmware": "9.1", "protocol": 1, "build": "00112233445566ff", "board": "scripted", "micropython": "1.29.0"}
IDENTITY |= {"mpy": 518, "id": "e661", "reset": "pwron"}
STATE = {"counting": "pio", "dp": "found", "air": "found", "field": False, "mem_free": 90112, "ring_lines": 4096}
STATE |= {"logs": 0, "late": 0, "stalls": 0, "stall_us": 0, "bad_dp": 0, "bad_commands": 0, "bus_recoveries": 0}
STATE |= {"supply_low": False, "crash": False, "refused": "", "log": "ok", "free_kib": 900}


class AnsweringBoard(ScriptedBoard):
    """`deaf_to` names commands that get no reply so many more times; `busy` counts refusals for being busy.

    `silent_to` are commands that are obeyed with no reply; `odd` has fields, by kind, said in place of its own.
    """

    def __init__(self, port: Path | None, rate_hz: int = 500) -> None:
        super().__init__(port, rate_hz)
        self.state: dict[str, Any] = dict(STATE)
        self.crash_text = ""
        self.settings: dict[str, tuple[Any, Any]] = {"dp": ("sdp", "sdp"), "rate_hz": (50, 50)}
        self.chosen: dict[str, Any] = {}
        self.count = 2
        self.deaf_to: dict[str, int] = {}
        self.busy = 0
        self.silent_to: set[str] = set()
        self.odd: dict[str, dict[str, Any]] = {}
        self.restarts_by_command = True

    def _tell(self, kind: str, **fields: object) -> None:
        said = {"kind": kind, **fields, **self.odd.get(kind, {})}
        self._made(spoken("J", self._seq, self._t_us, json.dumps(said)), asked=True)

    def _say(self, kind: str, **fields: object) -> None:
        if kind == "hello" and "hello" in self.odd:
            self._tell("hello", protocol=1, firmware="0", board="scripted", boot=self.boot, rate_hz=self.rate_hz)
        else:
            super()._say(kind, **(fields | self.odd.get(kind, {})))

    def _obey(self, seq: int, words: str) -> None:
        word, *rest = words.split(" ")
        if word in ("keep", "hello", "resend"):
            super()._obey(seq, words)
            return
        self.commands.append(words)
        if self.deaf_to.get(word, 0):
            self.deaf_to[word] -= 1
            return
        if self.busy:
            self.busy -= 1
            self._say("reply", to=seq, ok=False, why="busy with another command: ask again")
            return
        known = ("identity", "crash", "settings", "set", "cue", "restart")
        if word not in known:
            self._say("reply", to=seq, ok=False, why="unknown command")
        elif word == "set" and rest[0] not in self.settings:
            self._say("reply", to=seq, ok=False, why="no such setting")
        else:
            if word not in self.silent_to:
                self._say("reply", to=seq, ok=True)
            getattr(self, f"_{word}")(rest)

    def _identity(self, rest: list[str]) -> None:
        self._tell("identity", **IDENTITY, boot=self.boot)
        self._tell("air", temp_c=20.0)  # what comes in between is no part of the answer
        self._tell("state", **(self.state | {"crash": self.crash_text != ""}))

    def _crash(self, rest: list[str]) -> None:
        if rest == ["forget"]:
            self.crash_text = ""
        else:
            self._tell("crash", text=self.crash_text)

    def _settings(self, rest: list[str]) -> None:
        for name, (value, default) in self.settings.items():
            self._tell("setting", name=name, value=value, default=default)
        self._tell("settings", count=self.count)

    def _set(self, rest: list[str]) -> None:
        self.chosen[rest[0]] = json.loads(rest[1]) if rest[1][0].isdigit() else rest[1]

    def _cue(self, rest: list[str]) -> None:
        pass

    def _restart(self, rest: list[str]) -> None:
        self.settings |= {name: (value, self.settings[name][1]) for name, value in self.chosen.items()}
        if self.restarts_by_command:
            self.restart("0000a0ff")


class OlderBoard(AnsweringBoard):
    """Firmware that knows none of it."""

    def _obey(self, seq: int, words: str) -> None:
        if words.split(" ")[0] in ("keep", "hello", "resend"):
            super()._obey(seq, words)
        else:
            self.commands.append(words)
            self._say("reply", to=seq, ok=False, why="unknown command")
