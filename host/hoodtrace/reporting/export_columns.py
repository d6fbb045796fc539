"""What export writes, column by column: the data dictionary, and the schema of each file made of it.

A column's name ends in its unit, and the unit stands here once more. Parquet carries unit and description in each
field's metadata; `dictionary.csv` says the same for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

Kind = Literal["text", "number", "single", "whole", "truth", "time"]
NO_UNIT = "none"
TYPES: dict[Kind, str] = {
    "text": "text",
    "number": "number",
    "single": "number, single precision",
    "whole": "whole number",
    "truth": "true or false",
    "time": "time of day, UTC",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, unit ("none" where it has none), type, and what it means."""

    name: str
    unit: str
    kind: Kind
    meaning: str


def texts(**meanings: str) -> tuple[Column, ...]:
    """Return columns of texts by name and meaning."""
    return tuple(Column(name, NO_UNIT, "text", meaning) for name, meaning in meanings.items())


def numbers(unit: str, **meanings: str) -> tuple[Column, ...]:
    """Return columns of numbers in one unit by name and meaning."""
    return tuple(Column(name, unit, "number", meaning) for name, meaning in meanings.items())


READINGS = (
    *texts(
        window="id of the window, TRACE:HOLD.PLATEAU; empty for a reading that did not come from a trace",
        trace="name of the trace file without its ending",
    ),
    Column("hold", NO_UNIT, "whole", "number of the hold in its trace, from 1"),
    Column("plateau", NO_UNIT, "whole", "number of the plateau in its hold, from 1"),
    Column("boot", NO_UNIT, "whole", "number of the board's run in the trace, from 1"),
    Column("start_utc", NO_UNIT, "time", "time of day at start_s, where the trace knows it"),
    *texts(
        terminal="terminal that the reading was given to, by its id in the plan",
        room="that terminal's room",
        system="that terminal's system",
        setting="fan setting",
        state="reading, refused, rejected (by a person) or taken back",
    ),
    Column("given", NO_UNIT, "truth", "whether it counts for its terminal"),
    *texts(
        by="automatic: as found; person: chosen in review; else what it was read with, such as hand",
        meter="the meter, where another than the hood was used",
        direction="supply, extract or unknown, as measured; the plan's where it was entered",
    ),
    Column("hood_on", NO_UNIT, "truth", "whether the hood was on the terminal"),
    *numbers("m3/h", design_m3h="the plan's flow at this setting"),
    *numbers(
        "s",
        hold_start_s="start of the hold, from the trace's first sample",
        hold_end_s="end of the hold",
        start_s="start of the window",
        end_s="end of the window",
        used_s="length of the window without what was cut out",
        cut_s="length of what was cut out",
    ),
    *texts(cuts="what was cut out: START..END in s from the trace's first sample, and why"),
    *numbers(
        "m3/h",
        flow_m3h="long-run mean flow, with the hood on unless hood_on says false; always positive",
        u_flow_m3h="its standard uncertainty",
    ),
    Column("dof", NO_UNIT, "number", "degrees of freedom of u_flow_m3h; empty: infinite"),
    Column("confidence_rel", "1", "number", "confidence that expanded_m3h is for"),
    *numbers(
        "m3/h",
        expanded_m3h="half-width of the interval with that confidence",
        u_random_m3h="standard uncertainty of the air's part alone",
        expanded_random_m3h="half-width of the air's part alone",
    ),
    Column("fluctuation_rel", "1", "number", "rms of the fluctuation over the mean"),
    *numbers("s", correlation_s="integral of the fluctuation's autocorrelation from zero to infinity"),
    *numbers(
        "m3/h",
        vane_m3h="the vane's mean by itself; empty where it says nothing",
        u_vane_m3h="its standard uncertainty",
        taps_m3h="the taps' mean by itself; empty where they say nothing",
        u_taps_m3h="its standard uncertainty",
        estimate_m3h="estimate where the reading is refused",
    ),
    *texts(
        verdict="within, outside or undecided, of the design flow",
        flags="what to doubt, separated by semicolons",
        why="why it is refused, or a person's reason for rejecting it",
        notes="notes of people, separated by semicolons",
        automatic_state="what was found before a person chose: state",
        automatic_terminal="the same: terminal",
    ),
    *numbers("s", automatic_start_s="the same: start of the window", automatic_end_s="the same: end of the window"),
    *texts(automatic_cuts="the same: what was cut out"),
    *numbers(
        "m3/h",
        automatic_flow_m3h="the same: flow",
        automatic_expanded_m3h="the same: half-width of the 95 % interval",
    ),
    *texts(automatic_verdict="the same: verdict", automatic_why="the same: why refused"),
)
SAMPLES = (
    *texts(trace="name of the trace file without its ending"),
    Column("boot", NO_UNIT, "whole", "number of the board's run in the trace, from 1"),
    Column("utc", NO_UNIT, "time", "time of day, where the trace knows it"),
    *numbers("s", t_s="time from the trace's first sample"),
    Column("edges", NO_UNIT, "whole", "vane edges since the first sample of this boot"),
    Column("age_us", "us", "whole", "time from the newest counted edge to the sample; 16777215: that long or longer"),
    Column("dp_pa", "Pa", "single", "what the chip said: zero error and pressure correction not taken out"),
    Column("temp_c", "degC", "single", "temperature that the same chip said"),
    *texts(flags="what the board said of the sample, separated by semicolons"),
    Column("vane_m3h", "m3/h", "single", "flow by the vane since the sample before; 0: it stands; negative in extract"),
    Column("taps_m3h", "m3/h", "single", "flow by the taps at the sample, noise and all, with the sign of dp"),
    *texts(
        window="id of the window that the sample is in, as it is chosen now",
        use="used, or cut out of the window",
    ),
)
JOURNAL = (
    Column("line", NO_UNIT, "whole", "number of the line in journal.jsonl, from 1"),
    Column("utc", NO_UNIT, "time", "when it was decided"),
    *texts(
        kind="kind of decision",
        terminal="terminal that it is about",
        why="reason that a person gave",
        fields="all its fields as JSON; names there end in their units",
    ),
)
DICTIONARY = texts(
    file="name of the file without .csv or .parquet; samples stands for all files that begin so",
    column="name of the column",
    unit="its unit; none where it has none, 1 for a ratio",
    type="what stands in it",
    meaning="what it means",
)
FILES: dict[str, tuple[Column, ...]] = {
    "readings": READINGS,
    "samples": SAMPLES,
    "journal": JOURNAL,
    "dictionary": DICTIONARY,
}
"""Columns by file; the samples of one window lie in a file of their own with the same columns."""


def schema(columns: tuple[Column, ...]) -> pa.Schema:
    """Return the Parquet schema of some columns, unit and description with each."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "number": pa.float64(),
        "single": pa.float32(),
        "whole": pa.int64(),
        "truth": pa.bool_(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    return pa.schema(
        [pa.field(c.name, types[c.kind], metadata={"unit": c.unit, "description": c.meaning}) for c in columns]
    )


def dictionary_rows(files: tuple[str, ...]) -> list[dict[str, str]]:
    """Return the rows of the dictionary for some `files`."""
    return [
        {"file": name, "column": c.name, "unit": c.unit, "type": TYPES[c.kind], "meaning": c.meaning}
        for name in files
        for c in FILES[name]
    ]
