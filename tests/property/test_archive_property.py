"""The archive takes any letters as they were typed, and no damage to one visit reaches another.

Contract: Parquet is read back by pyarrow. Damage is any change of bytes of any file of a visit, and journals whose
checksums are right but whose values are anything.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

import many_visits
from hoodtrace.archive.found import Options
from hoodtrace.archive.gather import by_processes, gather
from hoodtrace.dwelling.plan import read_plan
from hoodtrace.errors import VisitError
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, make_trace

FILES = ("visit.toml", "hood.toml", "journal.jsonl", "traces/01.trace")
letters = st.text(min_size=1, max_size=40)
names = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=40).map(str.strip)
"""What plans take, but for letters that turn writing round."""
anything: Any = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=4,
)


@pytest.fixture(scope="module")
def home() -> Iterator[Path]:
    """Two visits around one small trace."""
    with tempfile.TemporaryDirectory() as temporary:
        home = Path(temporary)
        hold = Hold((Plateau(40.0, 12.0, Fluctuation("ou", 0.05, 0.5)),))
        spec = Spec((Free(4, "hang"), hold, Free(3, "hang")), Hood(), rate_hz=20)
        (home / "a.trace").write_bytes(make_trace(spec, 7)[0])
        for number, name in enumerate(("sound", "other")):
            many_visits.make(home / "v" / name, np.random.default_rng(number), number, 2, trace=home / "a.trace")
        yield home


def rows(archive: Path, name: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(archive / name / f"{name}.parquet").to_pylist()
    return found


def copied(home: Path, to: Path) -> Path:
    """The visits in a place of their own; what is written there is not written through a link."""
    return Path(shutil.copytree(home / "v", to / "v"))


@settings(deadline=None, max_examples=40)
@given(room=names, system=names, site=names, meter=letters, note=letters)
@example("<script>alert(1)</script>", "=1+1", "a\u202eb", "\U0001f600", "two\nlines")
@example("\u05d0\u05d1 \u0627\u0644", "'; drop table visits; --", "\ufdd0", "\x85", "\r\n\t")
@example("%s{}\\", '"', "#let x = 1", "''", "`rm`")
def test_texts_come_out_as_they_were_typed(room: str, system: str, site: str, meter: str, note: str) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        visit = Path(temporary) / "v"
        (visit / "traces").mkdir(parents=True)
        words = [json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f") for text in (site, system, room, note)]
        (visit / "visit.toml").write_text(
            f'[site]\nname = {words[0]}\n[[system]]\nname = {words[1]}\nkind = "supply"\n[[terminal]]\nid = "S1"\n'
            f'room = {words[2]}\nsystem = {words[1]}\ndirection = "supply"\n',
            encoding="utf-8",
        )
        (visit / "hood.toml").write_text(many_visits.HOOD.format(number=1, k=0.9), encoding="utf-8")
        try:
            read_plan(visit / "visit.toml")
        except VisitError:
            assume(False)  # the plan takes no such name
        reading = {"terminal": "S1", "by": "hand", "flow_m3h": 30.0, "u_flow_m3h": 1.0, "dof": None, "meter": meter}
        left = {"kind": "left out", "utc": many_visits.utc(1), "terminal": "S1", "why": note}
        lines = [{"kind": "begun", "utc": many_visits.utc(1), "what": "visit"}]
        many_visits.write_journal(visit, [*lines, {"kind": "reading", "utc": many_visits.utc(1), **reading}, left])
        to = Path(temporary) / "to"
        gather(visit.parent, to, Options(customers=True), by_processes(1))
        (terminal,), (row,), (one,) = (rows(to, name) for name in ("terminals", "readings", "visits"))
        assert (terminal["room"], terminal["system"], terminal["why"]) == (room, system, note)
        assert (row["room"], row["system"], row["meter"]) == (room, system, meter)
        assert one["site"] == site


@settings(deadline=None, max_examples=40)
@given(data=st.data(), file=st.sampled_from(FILES), what=st.sampled_from(("flip", "cut", "put", "gone")))
def test_damage_to_one_visit_never_stops_the_others(home: Path, data: st.DataObject, file: str, what: str) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        visits = copied(home, Path(temporary))
        path = visits / "other" / file
        content = path.read_bytes()
        at = data.draw(st.integers(0, len(content) - 1))
        if what == "gone":
            path.unlink()
        elif what == "cut":
            path.write_bytes(content[:at])
        else:
            new = data.draw(st.binary(min_size=1, max_size=20))
            path.write_bytes(content[:at] + new + content[at + (1 if what == "flip" else 0) :])
        found = gather(visits, Path(temporary) / "to", Options(samples=True), by_processes(1))
        assert not [path for path, _ in found.wrong if path.name == "sound"]
        assert 1 <= found.n_visits <= 2
        mine = [row for row in rows(Path(temporary) / "to", "readings") if row["given"]]
        sound = [json.loads(line) for line in (visits / "sound/journal.jsonl").read_text().splitlines()]
        kept = {entry["flow_m3h"] for entry in sound if entry["kind"] == "reading"}
        assert kept <= {row["flow_m3h"] for row in mine}


@settings(deadline=None, max_examples=50)
@given(data=st.data())
def test_a_journal_may_say_anything(home: Path, data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        visits = copied(home, Path(temporary))
        lines = [json.loads(line) for line in (visits / "other/journal.jsonl").read_text().splitlines()]
        for line in lines:
            line.pop("prev")
            line.pop("crc")
        for _ in range(data.draw(st.integers(1, 4))):
            line = data.draw(st.sampled_from(lines))
            key = data.draw(st.sampled_from(sorted(line)) | st.sampled_from(("instead_of", "epoch", "rejected", "key")))
            line[key] = data.draw(anything)
        many_visits.write_journal(visits / "other", lines)
        found = gather(visits, Path(temporary) / "to", Options(), by_processes(1))
        assert not [path for path, _ in found.wrong if path.name == "sound"]
        assert 1 <= found.n_visits == 2 - any("this program can't take" in why for _, why in found.wrong)
