"""A board that says anything where something else belongs: never anything but our own errors, in table and JSON."""

from __future__ import annotations

import contextlib
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from answering_board import IDENTITY, STATE, AnsweringBoard
from hoodtrace.board.link import open_board
from hoodtrace.board.logs import ask_now, list_logs
from hoodtrace.board.self_test_steps import Rest
from hoodtrace.board.talk import Talk
from hoodtrace.cli import board_guide
from hoodtrace.cli.board import board as run_board
from hoodtrace.errors import HoodtraceError
from logging_board import HeldLog, LoggingBoard, block_of
from scripted_board import spoken

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**40), 10**40)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(), max_size=5)
    | st.sampled_from(["\ud800", "1e999", "", "settings.bad", "settings.json", "full", "found", 1e-310, 1e308]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)
KEYS = {
    "hello": ["protocol", "firmware", "board", "boot", "rate_hz", "dp_counts_per_pa", "dp_temp_counts_per_k", "build"],
    "identity": sorted({*IDENTITY, "boot"}),
    "state": sorted(STATE),
    "setting": ["name", "value", "default"],
    "settings": ["count"],
    "crash": ["text"],
    "reply": ["ok", "why"],
}
ODD = st.sampled_from(sorted(KEYS)).flatmap(
    lambda kind: st.fixed_dictionaries({kind: st.dictionaries(st.sampled_from(KEYS[kind]), VALUES, max_size=9)})
)
FAST = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AnsweringBoard]:
    made = AnsweringBoard(tmp_path_factory.mktemp("odd") / "board")
    with made.living():
        yield made


def ran(board: AnsweringBoard, odd: dict[str, dict[str, Any]], **words: Any) -> str:
    board.odd = odd
    out = io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            run_board(str(board.port), **words)
        out.getvalue().encode()  # what a terminal or a file takes
    except HoodtraceError:
        pass  # that is what a person may see
    finally:
        board.odd = {}
    return out.getvalue()


@FAST
@given(odd=ODD, words=st.sampled_from([{}, {"settings": True}]), output=st.sampled_from(["table", "json"]))
@example(odd={"setting": {"name": ["dp"]}}, words={"settings": True}, output="table")
@example(odd={"hello": {"rate_hz": 1e-310}}, words={}, output="json")
@example(odd={"state": {"counting": "\ud800"}}, words={}, output="json")
@example(odd={"hello": {"firmware": [[[[[]]]]], "boot": {}}}, words={}, output="table")
@example(
    odd={"state": {"stall_us": 10**30, "stalls": -1, "free_kib": 10**30, "refused": "a " * 500}},
    words={},
    output="table",
)
def test_whatever_it_says_there_is_a_screen_or_our_own_error(
    board: AnsweringBoard, odd: dict[str, dict[str, Any]], words: dict[str, Any], output: str
) -> None:
    said = ran(board, odd, output=output, **words)
    assert "Traceback" not in said
    if said and output == "json":
        json.loads(said, parse_constant=pytest.fail)


@FAST
@given(odd=ODD, edges=VALUES, filter_us=VALUES)
@example(odd={"hello": {"dp_counts_per_pa": 5e-324}}, edges=10**40, filter_us=-1)
def test_what_the_self_test_must_know(
    board: AnsweringBoard, odd: dict[str, dict[str, Any]], edges: object, filter_us: object
) -> None:
    board.settings |= {"edges_per_rev": (edges, 4), "filter_us": (filter_us, 250)}
    board.count, board.odd = 4, odd
    try:
        with Talk(open_board(str(board.port))) as talk:
            known = board_guide.known_of(talk)
        assert known.edges_per_rev is None or 1 <= known.edges_per_rev <= 1000
        assert known.dp_counts_per_pa is None or 1e-3 <= known.dp_counts_per_pa <= 1e6
    except HoodtraceError:
        pass  # that is what a person may see
    finally:
        del board.settings["edges_per_rev"], board.settings["filter_us"]
        board.count, board.odd = 2, {}


def test_a_reply_to_nothing_that_was_asked(board: AnsweringBoard) -> None:
    with Talk(open_board(str(board.port))) as talk:
        for to in ([], {}, None, True, "1", 1e30):
            board.raw(spoken("J", 1, 1, json.dumps({"kind": "reply", "to": to, "ok": False})))
        assert talk.ask("identity", last="state").ok


def test_screen_and_json_tell_of_the_log_and_of_settings_put_aside(board: AnsweringBoard) -> None:
    odd = {"state": {"log": "full", "free_kib": 127, "refused": "settings.bad settings.json"}}
    shown = " ".join(ran(board, odd).split())
    for words in ("flash is full", "hoodtrace fetch", "127 KiB", "FULL", "did not start with them", "can't be read"):
        assert words in shown
    assert "settings.bad=VALUE" not in shown
    state = json.loads(ran(board, odd, output="json"))["state"]
    assert (state["log"], state["free_kib"]) == ("full", 127)
    older = json.loads(ran(board, {"state": {"log": None, "free_kib": None}}, output="json"))["state"]
    assert (older["log"], older["free_kib"]) == (None, None)


def test_settings_put_aside_are_told_after_a_change_too(tmp_path: Path) -> None:
    board = AnsweringBoard(tmp_path / "board")
    with board.living():
        said = ran(board, {"state": {"refused": "settings.bad"}}, change=["rate_hz=60"])
    assert "one by one" in said
    assert "settings.bad:" not in said


def test_a_step_of_the_self_test_ends_though_the_board_s_clock_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Standing(AnsweringBoard):
        def _cycle(self) -> None:
            self._t_us -= 1_000_000 // self.rate_hz
            super()._cycle()

    monkeypatch.setattr(board_guide, "CLOCKS_APART", 0.0)
    board = Standing(tmp_path / "board", rate_hz=50)
    with board.living(), Talk(open_board(str(board.port))) as talk:
        step = Rest(board_guide.known_of(talk))
        talk.streaming = True
        board_guide._do_step(talk, step, None)
    assert step.outcome is not None
    assert "clock" in step.outcome.means


LOG_KEYS = {"log": ["number", "of_boot", "blocks"], "logs": ["count", "free_kib"], "reply": ["ok", "why"]}


@FAST
@given(
    odd=st.sampled_from(sorted(LOG_KEYS)).flatmap(
        lambda kind: st.fixed_dictionaries({kind: st.dictionaries(st.sampled_from(LOG_KEYS[kind]), VALUES)})
    )
)
@example(odd={"log": {"number": 10**30}})
@example(odd={"log": {"of_boot": ["0000000a"], "blocks": -1}})
def test_a_list_of_logs_with_anything_in_it(logging: LoggingBoard, odd: dict[str, dict[str, object]]) -> None:
    logging.odd = odd
    try:
        with Talk(open_board(str(logging.port))) as talk:
            for file in list_logs(talk):
                assert 1 <= file.number <= 9999
                assert 0 <= file.n_blocks <= 16
            assert isinstance(ask_now(talk).boot, str)
    except HoodtraceError:
        pass  # that is what a person may see
    finally:
        logging.odd = {}


@pytest.fixture(scope="module")
def logging(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LoggingBoard]:
    made = LoggingBoard(tmp_path_factory.mktemp("odd") / "logs")
    made.logs = {3: HeldLog("0000000a", [block_of(1, 5)]), 5: HeldLog("0000000b", [block_of(2, 5)])}
    with made.living():
        yield made
