"""The draft of a plan while it is filled in: what was typed, as it was typed, on the disk beside the visit's folder.

Each table of the plan is a list of rows, each row its fields as text. A row has a number of its own (`row`) that stays
when rows move; terminals name their system by that number, and flows and their sources stand under `design.N` and
`source.N` of fan setting number N. Nothing is checked here: see `plan_typed`. A change is on the disk before it counts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

from hoodtrace.errors import FileError
from hoodtrace.wire.whole_file import write_whole

LISTS = ("system", "setting", "room", "terminal", "other_fan", "appliance")
SINGLE = ("site", "rule", "hold")
BY_HAND = "by hand"
_LARGEST_BYTES = 10_000_000
_LONGEST = 2000  # letters of one field; the plan takes at most 1000
Row = dict[str, str]


def draft_path(folder: Path) -> Path:
    """Return where the draft of a plan for the visit in `folder` is kept: beside it."""
    whole = folder.resolve()
    return whole.with_name(f"{whole.name}.plan-draft.json")


def forget_draft(folder: Path) -> None:
    """Remove the draft: the visit's folder is made and holds the plan.

    Raises
    ------
    FileError
        It can't be removed.
    """
    path = draft_path(folder)
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise FileError(path, f"can't be removed ({error.strerror}). The plan is made; remove it yourself") from error


class Draft:
    """What was typed so far.

    Parameters
    ----------
    path : Path
        Where it is kept; what is there already is taken up.

    Raises
    ------
    FileError
        What is there is no draft, or can't be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.earlier = path.exists()
        self._before: dict[str, Any] | None = None
        self.single: dict[str, Row] = {name: {} for name in SINGLE}
        self.lists: dict[str, list[Row]] = {name: [] for name in LISTS}
        if self.earlier:
            self._take(_read(path))
        else:
            self.begin()

    def begin(self) -> None:
        """Make it an empty plan: one system to fill in and the one fan setting that a plan has."""
        self.single = {name: {} for name in SINGLE}
        self.lists = {name: [] for name in LISTS}
        self.add("system", {})
        self.add("setting", {"name": "normal"})

    def get(self, path: str) -> str:
        """Return the text of a field: "site.name", or list, row number and key as in "terminal.7.room"."""
        row, key = self._place(path)
        return "" if row is None else row.get(key, "")

    def put(self, path: str, text: str) -> bool:
        """Put text into a field; whether that changed anything. A flow that is typed comes from a hand."""
        row, key = self._place(path)
        if row is None or row.get(key, "") == text[:_LONGEST]:
            return False
        row[key] = text[:_LONGEST]
        if key.startswith("design."):
            row[f"source.{key.removeprefix('design.')}"] = BY_HAND if text.strip() else ""
        return True

    def row(self, name: str, number: str) -> Row | None:
        """Return a row of a list by its number; None where it is gone."""
        return next((row for row in self.lists[name] if row["row"] == number), None)

    def add(self, name: str, fields: Mapping[str, str], after: str | None = None) -> str:
        """Add a row behind the row number `after`, else at the end; return its number."""
        rows = self.lists[name]
        number = str(1 + max((int(row["row"]) for each in self.lists.values() for row in each), default=0))
        places = [place for place, row in enumerate(rows, 1) if row["row"] == after]
        rows.insert(places[0] if places else len(rows), {**fields, "row": number})
        return number

    def remove(self, name: str, number: str) -> None:
        """Take a row away."""
        self.lists[name] = [row for row in self.lists[name] if row["row"] != number]

    def move(self, name: str, number: str, by: int) -> None:
        """Move a row up (-1) or down (1); at the end it stays."""
        rows = self.lists[name]
        place = next((i for i, row in enumerate(rows) if row["row"] == number), None)
        if place is not None and 0 <= place + by < len(rows):
            rows.insert(place + by, rows.pop(place))

    def free_id(self, direction: str) -> str:
        """Return the next short name for a terminal: S1, S2... for supply, E1... for extract."""
        taken = {row.get("id", "").strip().casefold() for row in self.lists["terminal"]}
        letter = "E" if direction == "extract" else "S"
        number = next(n for n in range(1, len(taken) + 2) if f"{letter}{n}".casefold() not in taken)
        return f"{letter}{number}"

    # ---- one step back, and the disk

    def remember(self) -> None:
        """Keep what is there now, for `back`."""
        self._before = deepcopy(self._whole())

    def back(self) -> None:
        """Put back what `remember` kept; what is there now can be had by `back` again."""
        if self._before is not None:
            now, before = deepcopy(self._whole()), self._before
            self._take(before)
            self._before = now

    @property
    def can_go_back(self) -> bool:
        """Whether there is something to put back."""
        return self._before is not None

    def save(self) -> None:
        """Put the draft on the disk, flushed; what was there stays whole until then.

        Raises
        ------
        FileError
            The disk does not take it.
        """
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self.path, json.dumps(self._whole()).encode())
        except OSError as error:
            raise FileError(
                self.path, f"the draft can't be kept ({error.strerror}). Make room or give rights"
            ) from error

    def _whole(self) -> dict[str, Any]:
        return {**self.single, **self.lists}

    def _take(self, whole: dict[str, Any]) -> None:
        self.single = {name: whole[name] for name in SINGLE}
        self.lists = {name: whole[name] for name in LISTS}

    def _place(self, path: str) -> tuple[Row | None, str]:
        name, _, rest = path.partition(".")
        if name in SINGLE:
            return self.single[name], rest
        number, _, key = rest.partition(".")
        return self.row(name, number), key


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            whole = json.loads(file.read(_LARGEST_BYTES))
    except OSError as error:
        raise FileError(path, f"can't be read ({error.strerror}). Give rights to it, or remove it") from error
    except (ValueError, RecursionError) as error:
        raise FileError(path, f"is no draft of a plan ({error}). Move it away to begin anew") from error
    if not _is_draft(whole):
        raise FileError(path, "is no draft of a plan. Move it away to begin anew")
    return dict(whole)


def _is_draft(whole: Any) -> bool:
    if not isinstance(whole, dict) or set(whole) != {*SINGLE, *LISTS}:
        return False
    if not all(isinstance(whole[name], list) for name in LISTS) or not whole["setting"]:
        return False
    rows = [row for name in LISTS for row in whole[name]]
    if not all(_is_row(row) for row in [*rows, *(whole[name] for name in SINGLE)]):
        return False
    numbers = [row.get("row", "") for row in rows]
    return all(n.isascii() and n.isdigit() and len(n) < 10 for n in numbers) and len(set(numbers)) == len(numbers)


def _is_row(row: Any) -> bool:
    return isinstance(row, dict) and all(isinstance(text, str) for text in row.values())
