"""Whatever is changed in a visit, something is found and named where it is; and nothing where nothing was changed.

Contract: a small visit of the second generator, read once; changes are drawn and made to files of its own. What must be
found is said by what was done to them.
"""

from __future__ import annotations

import atexit
import json
import re
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.proof import Proof, prove
from hoodtrace.errors import HoodtraceError
from proved_visit import chained, lines_of, put, rewritten
from reviewed_visit import CUT, UTC, made, opened

FILES = ("visit.toml", "hood.toml", JOURNAL, "traces/01.trace", "traces/02.trace")


@cache
def visit() -> tuple[Path, dict[str, bytes], Proof]:
    """A visit with two traces and a change of the review: its folder, its files, its proof."""
    above = Path(tempfile.mkdtemp(prefix="proof-property-"))
    atexit.register(shutil.rmtree, above, ignore_errors=True)
    folder = made(above / "v", "01", "02")
    opened(folder).change(CUT, UTC)
    return folder, {name: (folder / name).read_bytes() for name in FILES}, prove(folder)


def fresh() -> tuple[Path, Proof]:
    """The visit as it was, and its proof then."""
    folder, files, proof = visit()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder, proof


def named_lines(proof: Proof) -> set[int]:
    """The journal's lines that findings name."""
    found: set[int] = set()
    for finding in proof.findings:
        if finding.where.startswith(JOURNAL):
            found |= {int(digits) for digits in re.findall(r"\d+", finding.where.split(", the ")[0])}
    return found


def test_the_untouched_visit_has_no_finding() -> None:
    folder, proof = fresh()
    again = prove(folder)
    assert proof == again
    assert proof.findings == ()
    kinds = [json.loads(line)["kind"] for line in lines_of(folder)]
    assert (proof.looked.n_readings, proof.looked.n_windows) == (kinds.count("reading"), kinds.count("review"))
    assert proof.looked.n_readings > 3


@settings(max_examples=30)
@given(name=st.sampled_from(FILES), share=st.floats(0.0, 1.0, exclude_max=True), mask=st.integers(1, 255))
def test_any_byte_of_any_file(name: str, share: float, mask: int) -> None:
    folder, _ = fresh()
    content = bytearray((folder / name).read_bytes())
    at = int(share * len(content))
    content[at] ^= mask
    (folder / name).write_bytes(content)
    proof = prove(folder)
    assert any(name in finding.where for finding in proof.findings), proof.findings
    if name == JOURNAL:
        number = bytes(visit()[1][name][:at]).count(b"\n") + 1
        assert named_lines(proof) & {number, number + 1}, (number, proof.findings)


@settings(max_examples=20)
@given(do=st.sampled_from(["drop", "double", "swap", "copy", "change"]), data=st.data())
def test_lines_that_are_dropped_doubled_moved_or_changed_with_a_good_crc(do: str, data: st.DataObject) -> None:
    folder, before = fresh()
    lines = lines_of(folder)
    at = data.draw(st.integers(0, len(lines) - 1))
    other = data.draw(st.integers(0, len(lines) - 1))
    if do == "drop":
        del lines[at]
    elif do == "double":
        lines.insert(at, lines[at])
    elif do == "swap":
        other = (at + 1) % len(lines) if other == at else other
        lines[at], lines[other] = lines[other], lines[at]
    elif do == "copy":
        lines.insert(other, lines[at])
    else:
        lines[at] = rewritten({**json.loads(lines[at]), "utc": "2031-01-01T00:00:00+00:00"})
    put(folder, lines)
    proof = prove(folder)
    if at == len(visit()[1][JOURNAL].splitlines()) - 1 and do in ("drop", "change"):
        # Nothing follows the last line: the newest hash alone tells.
        assert proof.newest_sha256 != before.newest_sha256
        return
    touched = {at, at + 1, at + 2} | ({other, other + 1, other + 2} if do in ("swap", "copy") else set())
    assert named_lines(proof) & touched, (at, other, proof.findings)


@st.composite
def edited(draw: st.DrawFn, value: Any) -> Any:
    """Another value in the place of one that a reading has."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return draw(st.sampled_from([v for v in (1.0, "other", None) if v != value]))
    if isinstance(value, int | float):
        by = draw(st.sampled_from([1e-5, -1e-5, 1.0, -1.0, 1e9]))
        return draw(st.sampled_from([value + by, "x", None]))
    return draw(st.sampled_from([[], [1.0], "x", None] if value != [] else [[1.0], "x", None]))


READ = (
    "hold", "plateau", "hold_start_s", "hold_end_s", "start_s", "end_s", "used_s", "direction", "flow_m3h",
    "u_flow_m3h", "dof", "expanded_m3h", "u_random_m3h", "expanded_random_m3h", "fluctuation_rel", "correlation_s",
    "rejected", "flags", "terms", "r_k_c", "hood_on", "air_c", "u_air_c", "trace",
)  # fmt: skip


@settings(max_examples=25)
@given(data=st.data())
def test_any_number_of_a_reading_though_crcs_and_chain_were_made_good(data: st.DataObject) -> None:
    folder, before = fresh()
    lines = lines_of(folder)
    at = data.draw(st.sampled_from([i for i, line in enumerate(lines) if b'"kind":"reading"' in line]))
    fields = json.loads(lines[at])
    key = data.draw(st.sampled_from([key for key in READ if key in fields]))
    fields[key] = data.draw(edited(fields[key]))
    lines[at] = rewritten(fields)
    put(folder, chained(folder, lines))
    proof = prove(folder)
    assert at + 1 in named_lines(proof), (key, fields[key], proof.findings)
    assert proof.newest_sha256 != before.newest_sha256


@settings(max_examples=15)
@given(data=st.data())
def test_anything_else_with_the_whole_chain_made_good_changes_the_newest_hash(data: st.DataObject) -> None:
    folder, before = fresh()
    lines = lines_of(folder)
    at = data.draw(st.integers(0, len(lines) - 1))
    do = data.draw(st.sampled_from(["drop", "double", "change", "cut"]))
    if do == "change":
        lines[at] = rewritten({**json.loads(lines[at]), "utc": data.draw(st.text(max_size=30))})
    else:
        lines = {"drop": lines[:at] + lines[at + 1 :], "cut": lines[:at], "double": [*lines[:at], *lines[at:][:1] * 2]}[
            do
        ]
    put(folder, chained(folder, lines))
    assert prove(folder).newest_sha256 != before.newest_sha256


@settings(max_examples=15)
@given(name=st.sampled_from(["visit.toml", "hood.toml"]), share=st.floats(0.0, 1.0), digit=st.integers(1, 9))
def test_any_number_of_plan_or_hood_file(name: str, share: float, digit: int) -> None:
    folder, before = fresh()
    text = (folder / name).read_text(encoding="utf-8")
    places = [match.start() for match in re.finditer(r"\d", text)]
    at = places[min(int(share * len(places)), len(places) - 1)]
    changed = str((int(text[at]) + digit) % 10)
    (folder / name).write_text(text[:at] + changed + text[at + 1 :], encoding="utf-8")
    found = [finding.where for finding in prove(folder).findings]
    assert any(name in where for where in found), found
    # With the chain made anew from the changed file the newest hash is another one.
    put(folder, chained(folder, lines_of(folder)))
    assert prove(folder).newest_sha256 != before.newest_sha256


@settings(max_examples=30)
@given(data=st.data())
def test_no_bytes_in_any_file_raise_anything_else(data: st.DataObject) -> None:
    folder, _ = fresh()
    name = data.draw(st.sampled_from(FILES))
    some = st.one_of(
        st.binary(max_size=200),
        st.lists(st.binary(max_size=60), max_size=5).map(b"\n".join),
        _objects.map(lambda fields: rewritten({"prev": "", **fields}) + b"\n"),
    )
    content = data.draw(some)
    if data.draw(st.booleans()):
        content = (folder / name).read_bytes()[: data.draw(st.integers(0, 3000))] + content
    (folder / name).write_bytes(content)
    try:
        proof = prove(folder)
    except HoodtraceError:
        return
    assert proof.findings or content == visit()[1][name]


_plain = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8))
_values = st.recursive(
    _plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
)
_objects = st.fixed_dictionaries(
    {"kind": st.sampled_from(
        ["begun", "reading", "held", "doubt", "review", "review undone", "trace opened", "trace closed", "withdrawn"]
    )},
    optional={
        **dict.fromkeys(("trace", "key", "line", "terminal", "windows", "change", "bytes", "sha256", "hold"), _values),
        "reading": st.one_of(_values, st.fixed_dictionaries({"by": st.just("hood"), "trace": _values, "key": _values})),
        "by": st.sampled_from(["hood", "hand", 3]),
    },
)  # fmt: skip


@settings(max_examples=30)
@given(fields=st.lists(_objects, max_size=4))
def test_lines_that_say_anything_raise_nothing(fields: list[dict[str, Any]]) -> None:
    folder, _ = fresh()
    lines = [*lines_of(folder), *(rewritten({"prev": "", "utc": UTC, **each}) for each in fields)]
    put(folder, chained(folder, lines))
    assert prove(folder).looked.n_lines == len(lines)
