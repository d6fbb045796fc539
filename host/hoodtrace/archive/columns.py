"""What the archive holds, table by table and column by column; its dictionary and its Parquet schemas come from here.

`readings` and `samples` have export's columns and some more. Each table has `visit` first, by which tables are joined.
Columns in `CUSTOMER` hold what people typed about themselves or their home: empty unless customers were asked for.
"""

from __future__ import annotations

from typing import Any

from hoodtrace.reporting.export_columns import (
    NO_UNIT,
    READINGS,
    SAMPLES,
    TYPES,
    Column,
    numbers,
    texts,
)

VISIT = texts(visit="id of the visit: the same in all tables, made of nothing that names anybody")


def _whole(**meanings: str) -> tuple[Column, ...]:
    return tuple(Column(name, NO_UNIT, "whole", meaning) for name, meaning in meanings.items())


def _truth(**meanings: str) -> tuple[Column, ...]:
    return tuple(Column(name, NO_UNIT, "truth", meaning) for name, meaning in meanings.items())


def _times(**meanings: str) -> tuple[Column, ...]:
    return tuple(Column(name, NO_UNIT, "time", meaning) for name, meaning in meanings.items())


def _plain(**meanings: str) -> tuple[Column, ...]:
    return tuple(Column(name, NO_UNIT, "number", meaning) for name, meaning in meanings.items())


OF_JOURNAL = (
    *_whole(line="line of the journal that gave the reading, or chose it as it is; empty: nobody decided about it"),
    *_times(decided_utc="when that line was written"),
    *_truth(
        kept="whether flow, uncertainty, times and flags are the journal's, which does not keep the channels by "
        "themselves; false: worked out now, for it was given to no terminal"
    ),
    *texts(
        stage="reference (of a follow-up), round, check (after something changed) or last",
        at_stop="open or shut, where the valve was at its stop",
        ended="why the hold ended: precision, time, fixed time or early",
    ),
    *_truth(after_turn="whether the valve had been turned since the reading before"),
    *_whole(
        house_epoch="how many changes of house and fan came before it",
        turns_before="how often this valve had been turned before it",
    ),
)
PLATEAUS = (
    *VISIT,
    *texts(
        trace="name of the trace file without its ending",
        trace_sha256="SHA-256 of the trace as it was read",
        software="version of hoodtrace that worked the numbers out",
    ),
    *(c for c in READINGS if c.name in ("hold", "plateau", "boot", "start_utc")),
    *texts(state="reading or refused"),
    *(
        c
        for c in READINGS
        if c.name
        in (
            "direction", "hold_start_s", "hold_end_s", "start_s", "end_s", "used_s", "cut_s", "flow_m3h", "u_flow_m3h",
            "dof", "expanded_m3h", "u_random_m3h", "expanded_random_m3h", "fluctuation_rel", "correlation_s",
            "vane_m3h", "u_vane_m3h", "taps_m3h", "u_taps_m3h", "estimate_m3h", "flags",
        )
    ),
    *texts(why="why it is refused"),
    *_whole(kept_line="line of the journal that gave this plateau to a terminal; empty: none did"),
    *texts(kept_terminal="that terminal", kept_software="what that journal was begun with"),
    *numbers(
        "m3/h",
        kept_flow_m3h="the flow that the journal kept",
        kept_u_flow_m3h="its standard uncertainty, as kept",
        kept_expanded_m3h="its half-width, as kept",
    ),
)  # fmt: skip
TERMINALS = (
    *VISIT,
    *texts(
        terminal="id of the terminal in the plan",
        room="its room, as the plan calls it",
        room_kind="kind of that room, where the plan says",
        system="its system",
        system_kind="heat-recovery, extract, supply or natural",
        fan="unknown, fixed-speed or constant-flow",
        direction="supply or extract, by the plan",
        branch="duct that it shares with others",
        design_limit="around, at least or at most",
        cover="how it can be measured: hood, parts, traverse or none",
        setting="fan setting",
    ),
    *numbers("m3/h", design_m3h="the plan's flow at this setting"),
    *numbers("m", height_m="height of the terminal"),
    *numbers("cm2", free_area_cm2="free area of the terminal"),
    *_truth(left_out="whether it was left out, or can't be measured"),
    *_whole(
        n_readings="readings that count, at this setting", n_turns="how often its valve was turned in the whole visit"
    ),
    *numbers(
        "m3/h",
        first_m3h="flow before its own valve was turned and before anything in the house changed; valves of others may "
        "have been turned",
        first_u_m3h="its standard uncertainty",
        first_expanded_m3h="half-width of its 95 % interval",
    ),
    *texts(first_by="what that was read with", first_verdict="within, outside or undecided, of the design flow"),
    *numbers(
        "m3/h",
        end_m3h="flow as it was read last, repeat placements together",
        end_u_m3h="its standard uncertainty",
        end_own_u_m3h="the part of it that other readings of the same hood do not share",
        end_expanded_m3h="half-width of its 95 % interval",
    ),
    *_whole(end_n="how many placements that is"),
    *texts(end_by="what that was read with"),
    *_truth(end_hood_on="whether the hood was on the terminal"),
    *texts(
        end_verdict="within, outside or undecided, of the design flow",
        end_flags="what to doubt, separated by semicolons",
        why="why it was left out, in a person's words",
        note="the plan's note",
    ),
)
HOODS = (
    *VISIT,
    *texts(hood="name of the hood", hood_sha256="SHA-256 of the hood file as it was used"),
    *numbers("mm", bore_mm="bore of the pipe", length_mm="length of the pipe"),
    *_plain(k_supply="the vane's k-factor, supply", k_extract="the same, extract"),
    *numbers("1", u_k_rel="relative standard uncertainty of k, supply"),
    *numbers("m/s", offset_m_s="offset of the vane's speed, supply", start_m_s="speed where the vane starts, supply"),
    *numbers("m/s/Hz", gain_m_s_per_hz="speed per edge frequency, supply"),
    *_whole(taps_count="number of taps"),
    *_plain(
        c_supply="the taps' coefficient, supply",
        c_extract="the same, extract",
        exponent_supply="exponent of the taps' law, supply; 0.5 unless calibrated",
    ),
    *numbers("1", u_c_rel="relative standard uncertainty of c, supply"),
    *numbers("Pa", zero_pa="zero error in the hood file", u_zero_pa="how far a zero may sit from the truth"),
    *numbers("1", placement_u_rel="scatter from placement to placement, relative; empty: not tested"),
    *_plain(r_k_c="correlation of the errors of k and c"),
    *texts(
        calibrated_on="day of the last calibration",
        calibration_due="day that it is due again",
        calibration_method="how it was calibrated",
    ),
)
VISITS = (
    *VISIT,
    *_times(begun_utc="when it began", newest_utc="when the journal's last line was written"),
    *_truth(finished="whether it was finished", follow_up="whether it follows another visit up"),
    *texts(
        software="what the journal was begun with",
        analysed_by="version of hoodtrace that put it into the archive",
        journal_sha256="hash of the journal's last line: the head of its chain",
        hood_sha256="SHA-256 of the hood file",
    ),
    *_whole(
        n_lines="lines of the journal",
        n_terminals="terminals, those added on the spot with them",
        n_readings="readings that count",
        n_withdrawn="readings that were taken back",
        n_by_person="windows that a person chose in review",
        n_climbs="how often somebody went to another terminal to read, or to one again after the house changed",
        n_turns="valves turned",
        n_events="changes of house and fan",
        n_traces="traces that could be used",
        n_problems="what could not be used: `hoodtrace archive` names it",
    ),
    *numbers("s", traced_s="length of all traces that could be used"),
    *numbers("m2", floor_area_m2="floor area of the dwelling"),
    *_whole(bedrooms="bedrooms"),
    *numbers("m3", volume_m3="volume of the dwelling"),
    *numbers("1/h", n50_per_h="air changes at 50 Pa"),
    *texts(open_flued_appliance="yes, no or unknown, by the plan"),
    *numbers("1", tolerance_rel="tolerance on a design flow", balance_rel="tolerance of supply against extract"),
    *numbers("1", risk_rel="accepted risk of a wrong within"),
    *numbers("degC", outdoor_c="outdoor temperature, as last noted", indoor_c="indoor temperature, as last noted"),
    *texts(
        wind="wind, as last noted",
        folder="folder of the visit",
        site="name of the site",
        note="the plan's note on it",
        customer="the customer's name",
        customer_address="the customer's address",
        customer_contact="how to reach the customer",
    ),
)
TABLES: dict[str, tuple[Column, ...]] = {
    "visits": VISITS,
    "hoods": HOODS,
    "terminals": TERMINALS,
    "readings": (*VISIT, *READINGS, *OF_JOURNAL),
    "plateaus": PLATEAUS,
}
ALL: dict[str, tuple[Column, ...]] = {**TABLES, "samples": (*VISIT, *SAMPLES)}
"""Also the samples, which lie in files of their own, one a trace, where they were asked for."""
ABOUT = {
    "visits": "one row a visit",
    "hoods": "one row a visit: the hood file that it was made with",
    "terminals": "one row a terminal and fan setting: first and last flow against design",
    "readings": "one row a window as it stands, or a reading that was typed in; as the journal keeps it",
    "plateaus": "one row a plateau of a trace, as this version of hoodtrace finds it, beside what the journal kept",
    "samples": "one row a sample (only with --samples)",
}
CUSTOMER: dict[str, tuple[str, ...]] = {
    "visits": ("folder", "site", "note", "customer", "customer_address", "customer_contact"),
    "terminals": ("why", "note"),
    "readings": ("notes",),
}
"""Columns that stay empty unless customers were asked for; in `readings` also what a person gave as a reason."""


def dictionary_rows() -> list[dict[str, Any]]:
    """Return the rows of the archive's dictionary."""
    return [
        {"table": name, "column": c.name, "unit": c.unit, "type": TYPES[c.kind], "meaning": c.meaning}
        for name, columns in ALL.items()
        for c in columns
    ]
