"""Asking a board who it is, over a real pseudo-terminal with a scripted board at the other end.

The outside source of what must come out is what that board was told to say (answering_board.py).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from answering_board import IDENTITY, AnsweringBoard, OlderBoard
from hoodtrace.board.identity import About, Identity, Setting, State, ask_about, ask_settings, faults, order
from hoodtrace.board.link import open_board
from hoodtrace.board.talk import Talk
from hoodtrace.errors import LinkError, LinkReason, UsageError

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

BUILD = IDENTITY["build"]


@contextmanager
def talking(board: AnsweringBoard) -> Iterator[Talk]:
    with board.living(), Talk(open_board(str(board.port))) as talk:
        yield talk


@pytest.fixture
def board(tmp_path: Path) -> AnsweringBoard:
    return AnsweringBoard(tmp_path / "board")


def healthy(**state: object) -> About:
    said = {"counting": "pio", "dp": "found", "air": "found", "field": False, "mem_free": 1, "ring_lines": 4096}
    about = About("port", {"rate_hz": 50, "firmware": "9.1"}, 1_000_000_000)
    return replace(about, identity=Identity.said(IDENTITY), state=State.said(said | state))


def test_everything_the_board_says_is_there(board: AnsweringBoard) -> None:
    board.state |= {"late": 3, "stalls": 2, "stall_us": 61_000, "logs": 4, "refused": "rate_hz pin_led"}
    with talking(board) as talk:
        about = ask_about(talk)
    assert about.identity is not None
    assert about.state is not None
    assert about.identity.build == BUILD
    assert about.identity.boot == "0000a001"
    assert (about.state.n_late, about.state.n_stalls, about.state.stall_us, about.state.logs) == (3, 2, 61_000, 4)
    assert about.state.refused == ("rate_hz", "pin_led")
    assert (about.state.log, about.state.free_kib) == ("ok", 900)
    assert about.crash == ""
    # 4096 lines at the scripted board's 500 a second.
    assert about.ring_s == pytest.approx(4096 / 500)


def test_a_crash_note_is_fetched_and_forgotten(board: AnsweringBoard) -> None:
    board.crash_text = "line 7: OSError: 19"
    with talking(board) as talk:
        assert ask_about(talk).crash == "line 7: OSError: 19"
        order(talk, "crash forget")
        assert ask_about(talk).crash == ""


def test_settings_by_name(board: AnsweringBoard) -> None:
    with talking(board) as talk:
        assert ask_settings(talk) == (Setting("dp", "sdp", "sdp"), Setting("rate_hz", 50, 50))


def test_a_list_with_a_hole_is_refused(board: AnsweringBoard) -> None:
    board.count = 3
    with talking(board) as talk, pytest.raises(LinkError, match="2 of 3 settings"):
        ask_settings(talk)


@pytest.mark.parametrize("fault", ["deaf", "busy"])
def test_a_command_without_an_answer_is_sent_again(board: AnsweringBoard, fault: str) -> None:
    if fault == "deaf":
        board.deaf_to = {"identity": 1}
    else:
        board.busy = 1
    with talking(board) as talk:
        assert ask_about(talk).identity is not None
    assert board.commands.count("identity") == 2


def test_a_board_that_never_answers(board: AnsweringBoard) -> None:
    board.deaf_to = {"identity": 99}
    with talking(board) as talk, pytest.raises(LinkError, match="no answer to `identity`") as caught:
        ask_about(talk)
    assert caught.value.reason is LinkReason.SILENT


def test_an_older_firmware_leaves_the_hello(tmp_path: Path) -> None:
    with talking(OlderBoard(tmp_path / "board")) as talk:
        about = ask_about(talk)
        assert (about.identity, about.state) == (None, None)
        assert about.hello["boot"] == "0000a001"
        assert ask_settings(talk) == ()
        with pytest.raises(LinkError, match="hoodtrace install") as caught:
            order(talk, "cue done")
        assert caught.value.reason is LinkReason.OTHER_FIRMWARE
        with pytest.raises(LinkError, match="restart"):
            talk.restarted()
    (fault,) = faults(about, BUILD)
    assert "older" in fault.what


def test_a_refusal_is_shown_in_full(board: AnsweringBoard) -> None:
    with talking(board) as talk, pytest.raises(UsageError, match="refuses `set nope 1`: no such setting"):
        order(talk, "set nope 1")


def test_asking_alone_does_not_take_the_lease(board: AnsweringBoard) -> None:
    with talking(board) as talk:
        ask_about(talk)
        ask_settings(talk)
    assert "keep" not in board.commands


def test_a_restart_comes_back_under_a_new_boot_id(board: AnsweringBoard) -> None:
    with board.living():
        talk = Talk(open_board(str(board.port))).restarted()
        assert talk.hello["boot"] == "0000a0ff"
        talk.close()


@pytest.mark.parametrize("hello_too", [False, True])
def test_a_restart_whose_reply_is_lost(board: AnsweringBoard, hello_too: bool) -> None:
    board.silent_to = {"restart"}
    with board.living():
        talk = Talk(open_board(str(board.port)))
        if hello_too:
            board.drop = lambda seq: seq == 0
        talk = talk.restarted()
        assert talk.hello["boot"] == "0000a0ff"
        talk.close()
    assert board.commands.count("restart") == (3 if hello_too else 1)


def test_a_board_that_does_not_restart(board: AnsweringBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hoodtrace.board.talk.BACK_S", 1.0)
    board.deaf_to = {"restart": 99}
    with talking(board) as talk, pytest.raises(LinkError, match="gave no reply and did not come back") as caught:
        talk.restarted()
    assert caught.value.reason is LinkReason.SILENT


def test_listening_keeps_the_lease(board: AnsweringBoard) -> None:
    with talking(board) as talk:
        talk.streaming = True
        n = 0
        while n < 50:
            n += len(talk.listen().samples)
        assert talk.t_us > 0
    assert "keep" in board.commands


def test_a_board_that_falls_silent_while_listening(board: AnsweringBoard) -> None:
    def listen_for_ever(talk: Talk) -> None:
        while True:
            talk.listen()

    with talking(board) as talk:
        talk.streaming = True
        talk.listen()
        board.paused = True
        with pytest.raises(LinkError, match="no good line") as caught:
            listen_for_ever(talk)
    assert caught.value.reason is LinkReason.SILENT


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"dp": "absent"}, "pressure chip"),
        ({"air": "absent"}, "air sensor"),
        ({"supply_low": True}, "supply"),
        ({"refused": "rate_hz"}, "rate_hz was refused"),
        ({"refused": "settings.json"}, "can't be read"),
        ({"refused": "settings.bad"}, "could not start"),
        ({"log": "full"}, "flash is full"),
        ({"log": "error"}, "flash refuses"),
        ({"bus_recoveries": 2}, "freed 2 times"),
        # 50 samples a second for 1000 s are 50,000; one in a thousand are 50.
        ({"bad_dp": 51}, "51 pressure values"),
        ({"late": 51}, "51 samples were late"),
    ],
)
def test_each_fault_is_told(said: dict[str, object], words: str) -> None:
    (fault,) = faults(healthy(**said), str(BUILD))
    assert words in fault.what
    assert fault.do


def test_what_to_do_about_the_log_and_the_settings() -> None:
    for said, words in (({"log": "full"}, "hoodtrace fetch"), ({"refused": "settings.bad"}, "one by one")):
        (fault,) = faults(healthy(**said), str(BUILD))
        assert words in fault.do
        assert "settings.bad=" not in fault.do


@pytest.mark.parametrize(
    "said",
    [
        {},
        {"log": "off"},
        {"log": "ok", "free_kib": 3},
        {"bad_dp": 50},
        {"late": 50},
        {"late": 60, "stalls": 10},
        {"dp": "off"},
    ],
)
def test_what_is_no_fault(said: dict[str, object]) -> None:
    assert faults(healthy(**said), str(BUILD)) == ()


def test_another_build_is_a_fault_and_an_unknown_one_is_not() -> None:
    (fault,) = faults(healthy(), "ffff000011112222")
    assert "ffff000011112222" in fault.what
    assert "hoodtrace install" in fault.do
    assert faults(healthy(), None) == ()


def test_odd_values_are_none_and_raise_nothing() -> None:
    state = State.said({"mem_free": "much", "late": True, "crash": 1, "dp": 5, "refused": 3})
    assert (state.mem_free, state.n_late, state.crash, state.dp, state.refused) == (None, None, None, None, ())
    assert (state.log, state.free_kib) == (None, None)  # as of an older board
    assert State.said({"free_kib": -1, "late": 1e30, "log": 3}) == State.said({})
