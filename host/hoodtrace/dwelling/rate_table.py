"""Published ventilation rates as data: one TOML file a table, checked key by key, shipped or the user's own.

A row is one figure or one formula, with where it stands, its unit and whether it was read. Three kinds: "dwelling" (a
sum of terms for the whole dwelling), "bedrooms" (a list by number of bedrooms) and "room" (a sum of terms for each room
of some kinds, in one direction). Rows may belong to categories, of which one is chosen; a category may have a factor on
all rows. Of several rows for one thing the largest counts. There is no formula language: what a row asks of the plan
follows from the terms that it has.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from hoodtrace.dwelling.plan import Direction, RoomKind
from hoodtrace.dwelling.plan_keys import one_line
from hoodtrace.errors import FileError, UsageError
from hoodtrace.units import CFM_PER_M3_S, L_S_PER_M3_S, M3_H_PER_M3_S, m3h

Seen = Literal["read", "read secondary", "remembered"]
Unit = Literal["m3/h", "L/s", "cfm"]
Name = Annotated[str, StringConstraints(min_length=1, max_length=100), AfterValidator(one_line)]
"""Goes into the plan with each flow, so it is short and one line."""
Words = Annotated[str, StringConstraints(max_length=1000), AfterValidator(one_line)]
Flow = Annotated[float, Field(ge=0.0, le=1e5, allow_inf_nan=False)]
Term = Annotated[float, Field(ge=-1e4, le=1e4, allow_inf_nan=False)]
Factor = Annotated[float, Field(gt=0.0, le=10.0, allow_inf_nan=False)]
Rest = Literal["minimum", "people", "area", "equal"]

PER_M3_S = {"m3/h": M3_H_PER_M3_S, "L/s": L_S_PER_M3_S, "cfm": CFM_PER_M3_S}
M2_PER_FT2 = 0.3048**2
SHIPPED = ("ashrae_62_2", "ashrae_62_2_ip", "by_people", "din_1946_6", "en_16798_1", "england_ad_f_2021")
_ASKED_BY = {
    "per_m2": "floor_area_m2",
    "per_ft2": "floor_area_m2",
    "per_m2_squared": "floor_area_m2",
    "per_bedroom": "bedrooms",
    "per_person": "people",
    "per_m3": "volume_m3",
}


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Category(_Table):
    """A category, level or case of which one is chosen; `factor` multiplies every row."""

    name: Name
    factor: Factor = 1.0
    seen: Seen | None = None

    @model_validator(mode="after")
    def _factor_seen(self) -> Category:
        if self.factor != 1.0 and self.seen is None:
            raise ValueError("a factor needs its own seen")
        return self


class _Row(_Table):
    name: Name
    table: Name
    unit: Unit
    seen: Seen
    categories: list[Name] = []

    def m3h(self, flow: float) -> float:
        """Return a flow in the row's unit as m3/h."""
        return m3h(flow / PER_M3_S[self.unit])

    @property
    def asks(self) -> tuple[str, ...]:
        """What the row asks of a dwelling or room: "floor_area_m2", "bedrooms", "people", "volume_m3"."""
        return tuple(dict.fromkeys(what for term, what in _ASKED_BY.items() if getattr(self, term, None) is not None))


class _Sum(_Row):
    flow: Term | None = None
    per_m2: Term | None = None
    per_ft2: Term | None = None
    per_m2_squared: Term | None = None
    per_person: Term | None = None
    per_m3: Term | None = None

    @model_validator(mode="after")
    def _some_term(self) -> _Sum:
        if self.flow is None and not self.asks:
            raise ValueError("it has no term: give flow or one of the per_ keys")
        return self

    def flow_m3h(self, given: dict[str, float]) -> float:
        """Return the row's flow, m3/h, with what it `asks` in `given`; it may come out negative far out of range."""
        area_m2 = given.get("floor_area_m2", math.nan)
        terms = (
            (self.flow, 1.0),
            (self.per_m2, area_m2),
            (self.per_ft2, area_m2 / M2_PER_FT2),
            (self.per_m2_squared, area_m2**2),
            (self.per_person, given.get("people", math.nan)),
            (self.per_m3, given.get("volume_m3", math.nan)),
        )
        return self.m3h(math.fsum(factor * amount for factor, amount in terms if factor is not None))


class DwellingRow(_Sum):
    """A flow for the whole dwelling: the sum of the terms that are there; bedrooms count as n + `plus_bedrooms`.

    A dwelling under `area_from_m2` counts as one of that area; over `area_to_m2` the row says nothing.
    """

    kind: Literal["dwelling"]
    per_bedroom: Term | None = None
    plus_bedrooms: Annotated[int, Field(ge=0, le=10)] = 0
    area_from_m2: Annotated[float, Field(ge=0.0, le=1e6, allow_inf_nan=False)] = 0.0
    area_to_m2: Annotated[float, Field(gt=0.0, le=1e6, allow_inf_nan=False)] = 1e6

    def flow_m3h(self, given: dict[str, float]) -> float:
        """Return the row's flow, m3/h; NaN for a dwelling over `area_to_m2`."""
        area_m2 = given.get("floor_area_m2")
        if area_m2 is not None:
            if area_m2 > self.area_to_m2:
                return math.nan
            given = given | {"floor_area_m2": max(area_m2, self.area_from_m2)}
        rooms = 0.0 if self.per_bedroom is None else self.per_bedroom * (given["bedrooms"] + self.plus_bedrooms)
        return super().flow_m3h(given) + self.m3h(rooms)


class BedroomsRow(_Row):
    """A flow for the whole dwelling by its bedrooms: `flows` from `from_bedrooms` on, then `per_further` for each."""

    kind: Literal["bedrooms"]
    flows: Annotated[list[Flow], Field(min_length=1)]
    from_bedrooms: Annotated[int, Field(ge=0, le=10)]
    per_further: Flow

    @property
    def asks(self) -> tuple[str, ...]:
        """What the row asks of the dwelling."""
        return ("bedrooms",)

    def flow_m3h(self, given: dict[str, float]) -> float:
        """Return the row's flow, m3/h; NaN for fewer bedrooms than the row begins with."""
        place = round(given["bedrooms"]) - self.from_bedrooms
        if place < 0:
            return math.nan
        last = len(self.flows) - 1
        return self.m3h(self.flows[min(place, last)] + max(0, place - last) * self.per_further)


class RoomRow(_Sum):
    """A flow for each room of the kinds in `rooms`, in one direction; no `minimum`: only its weight in the sharing."""

    kind: Literal["room"]
    rooms: Annotated[list[RoomKind], Field(min_length=1)]
    direction: Direction
    minimum: bool = True


AnyRow = Annotated[DwellingRow | BedroomsRow | RoomRow, Field(discriminator="kind")]


class RateTable(_Table):
    """One published table; see "Rate tables" in DEVELOPERS.md.

    `rest_extract` and `rest_supply` say by what each side's flow above the rooms' minimums is shared; `habitable` are
    the kinds of rooms that take part in that on the supply side. The first category holds where none is chosen.
    `accredited`: its rule asks for measuring with a meter that has an accredited calibration.
    """

    title: Name
    edition: Name
    where: Name
    note: Words = ""
    accredited: bool = False
    rest_extract: Rest = "minimum"
    rest_supply: Literal["people", "area", "equal"] = "people"
    habitable: Annotated[list[RoomKind], Field(min_length=1)] = ["living", "bedroom", "other"]
    category: list[Category] = []
    row: Annotated[list[AnyRow], Field(min_length=1)]

    @model_validator(mode="after")
    def _fits_together(self) -> RateTable:
        faults = _repeated("row", [row.name for row in self.row])
        names = [category.name for category in self.category]
        faults += _repeated("category", names)
        for row in self.row:
            faults += [f"row {row.name!r}: there is no category {c!r}" for c in row.categories if c not in names]
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def chosen(self, name: str | None) -> Category:
        """Return the category called `name`, the first one for None.

        Raises
        ------
        UsageError
            There is no such category; the message lists them.
        """
        if name is None:
            return self.category[0] if self.category else Category(name="all")
        found = next((one for one in self.category if one.name == name), None)
        if found is None:
            known = ", ".join(f'"{one.name}"' for one in self.category) or "none"
            raise UsageError(f"{self.title} has no category {name!r}. It has: {known}.")
        return found

    def rows(self, category: Category) -> list[DwellingRow | BedroomsRow | RoomRow]:
        """Return the rows that hold in a category."""
        return [row for row in self.row if not row.categories or category.name in row.categories]


def seen_of(row: DwellingRow | BedroomsRow | RoomRow, category: Category) -> Seen:
    """Return how well a figure is known: the weaker of row and category."""
    order: tuple[Seen, ...] = ("read", "read secondary", "remembered")
    return order[max(order.index(row.seen), order.index(category.seen or "read"))]


def parse_table(text: str, path: Path | str) -> RateTable:
    """Return the rate table that the TOML `text` holds; `path` is what messages call it.

    Raises
    ------
    FileError
        It is not TOML, or keys are missing, unknown or out of bounds; each faulty key is named.
    """
    try:
        content: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise FileError(path, f"is not a whole TOML file ({error}). Mend or copy it again.") from error
    try:
        return RateTable.model_validate(content)
    except ValidationError as error:
        words = "; ".join(_fault_words(one["loc"], one["msg"], one["type"], one.get("input")) for one in error.errors())
        raise FileError(path, f"{words}. Correct the rate table.") from error


def read_table(name: str) -> RateTable:
    """Return the shipped table called `name`, else the one in the file `name`.

    Raises
    ------
    UsageError
        Neither a shipped table nor a file.
    FileError
        The file can't be read or is at fault (see `parse_table`).

    Examples
    --------
    >>> read_table("din_1946_6").title
    'DIN 1946-6'
    """
    if name in SHIPPED:
        return parse_table((files("hoodtrace.dwelling") / "rates" / f"{name}.toml").read_text("utf-8"), name)
    path = Path(name)
    if not path.exists():
        raise UsageError(f"--table {name}: no such table or file. Tables: {', '.join(SHIPPED)}.")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise FileError(path, f"the rate table can't be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise FileError(path, f"is not a text file in UTF-8 (byte {error.start}). Is it a rate table?") from error
    return parse_table(text, path)


def is_shipped(head: str) -> bool:
    """Whether `head` is what the design flows of a shipped table are said to come from: title, edition, category."""
    tables = [read_table(name) for name in SHIPPED]
    heads = {f"{table.title}, {table.edition}": table for table in tables}
    return any(head in (known, *(f"{known}, {one.name}" for one in of.category)) for known, of in heads.items())


def ask_accredited(sources: Iterable[str]) -> tuple[str, ...]:
    """Return the shipped tables that ask for an accredited calibration, of those that design flows came from.

    Parameters
    ----------
    sources : iterable of str
        `design_from` of the plan's terminals.
    """
    said = [each for each in sources if each]
    tables = [read_table(name) for name in SHIPPED] if said else []
    asking = [f"{table.title}, {table.edition}" for table in tables if table.accredited]
    return tuple(head for head in asking if any(head in each for each in said))


def _repeated(what: str, names: list[str]) -> list[str]:
    return [f"{what} name {name!r} is there twice" for name in dict.fromkeys(names) if names.count(name) > 1]


def _fault_words(where: tuple[int | str, ...], message: str, kind: str, value: object) -> str:
    # pydantic puts the row's kind into the path of a row's key; rows count from 1 for people.
    parts = [p for i, p in enumerate(where) if i != 2 or where[0] != "row" or p not in ("dwelling", "bedrooms", "room")]
    key = ".".join(str(p + 1) if isinstance(p, int) else p for p in parts)
    if kind in ("missing", "union_tag_not_found"):
        return f"key {key}{'.kind' if kind == 'union_tag_not_found' else ''} is missing"
    if kind == "extra_forbidden":
        return f"key {key} is unknown"
    if kind == "union_tag_invalid":
        return f"key {key}.kind: {message[0].lower()}{message[1:]}"
    words = message.removeprefix("Value error, ")
    if isinstance(value, dict):
        return f"{key}: {words}" if key else words
    return f"key {key} = {value!r}: {words[0].lower()}{words[1:]}"
