"""The commands that look after the board: identity, settings, restarts, the crash note, the watchdog."""

from __future__ import annotations

import hashlib
import itertools
import json
from pathlib import Path

import pytest

from firmware.bench_host import BoardLine, Host, command, run_on_board, small_world, wait_until
from hoodtrace.board.firmware_files import firmware_folder
from hoodtrace.board.virtual import VirtualBoard


def board(world: Path, micropython: bool, **options: object) -> VirtualBoard:
    return VirtualBoard(world, "fast", "pipe", boot_seed=5, micropython=micropython, **options)  # type: ignore[arg-type]


def said(host: Host, words: str, last: str) -> list[BoardLine]:
    """Everything from the reply to the message that ends the answer."""
    start = len(host.lines)
    reply = host.reply(host.say(words))
    assert reply["ok"] is True, reply
    while last not in (kinds := [line.body.get("kind") for line in host.lines[start:]]):
        host.hear()
    return host.lines[start : start + kinds.index(last) + 1]


def test_identity_and_state(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path / "world"), runs_micropython) as virtual:
        host = Host(virtual)
        lines = said(host, "identity", "state")
        runtime = virtual.runtime
    identity = next(line.body for line in lines if line.body.get("kind") == "identity")
    state = next(line.body for line in lines if line.body.get("kind") == "state")
    # The same hash by hand: names in order, each with its bytes.
    whole = hashlib.sha256()
    package = json.loads((firmware_folder() / "package.json").read_text())
    for name in sorted(on_board for on_board, _ in package["urls"]):
        whole.update(name.encode() + b"\0" + (firmware_folder() / name).read_bytes() + b"\0")
    assert identity["build"] == whole.hexdigest()[:16]
    assert identity["firmware"] == package["version"]
    assert identity["board"] == f"virtual board, {runtime}"
    assert identity["reset"] == "pwron"
    assert len(str(identity["boot"])) == 8
    assert (state["counting"], state["dp"], state["air"]) == ("pio", "found", "found")
    assert (state["field"], state["crash"], state["refused"], state["logs"]) == (False, False, "", 0)
    assert state["ring_lines"] == 4096


def test_sensors_that_are_not_there_or_not_fitted(tmp_path: Path, runs_micropython: bool) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world", dp_address=None, air=[])
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        state = host.state()
        assert (state["dp"], state["air"]) == ("absent", "absent")
        host.reply(host.say("set dp none"))
        host.reply(host.say("set air none"))
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        host.listen(12.0)
        state = host.state()
    assert (state["dp"], state["air"]) == ("off", "off")
    assert not host.messages("fault")
    assert {line.fields[4] for line in host.samples()} == {3}


def test_settings_are_chosen_kept_and_refused(tmp_path: Path, runs_micropython: bool) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world")
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        lines = said(host, "settings", "settings")
        found = {line.body["name"]: line.body for line in lines if line.body.get("kind") == "setting"}
        assert host.messages("settings")[-1].body["count"] == len(found) >= 15
        assert all(body["value"] == body["default"] for body in found.values())
        assert found["rate_hz"]["rule"] == "a whole number from 1 to 100"
        assert found["field"]["rule"] == "true or false"
        taken = found["pin_buzzer"]["value"]
        for words, why in {
            "set rate_hz 101": "a whole number from 1 to 100",
            "set rate_hz fast": "a whole number from 1 to 100",
            "set rate_hz 50.5": "a whole number from 1 to 100",
            "set rate_hz true": "a whole number from 1 to 100",
            "set field 1": "true or false",
            "set counting best,pin": "best or pin",
            f"set pin_vane {taken}": "nothing else uses",
            "set pin_vane -1": "a pin that this board has",
            "set colour red": "no such setting",
        }.items():
            reply = host.reply(host.say(words))
            assert reply["ok"] is False
            assert why in str(reply["why"]), words
        assert host.reply(host.say("set rate_hz"))["ok"] is False
        assert host.reply(host.say("set rate_hz 20"))["ok"] is True
        assert host.reply(host.say("set edges_per_rev 6"))["ok"] is True
        host.reply(host.say("hello"))
        assert host.messages("hello")[-1].body["rate_hz"] == 50  # from the next boot on
        assert host.reply(host.say("restart"))["ok"] is True
        boot = host.messages("hello")[-1].body["boot"]
        while host.messages("hello")[-1].body["boot"] == boot:
            host.reply(host.say("hello"))
        assert host.messages("hello")[-1].body["rate_hz"] == 20
        assert host.messages("hello")[-1].body["edges_per_rev"] == 6
    with board(world, runs_micropython, flash=flash) as virtual:  # and over a loss of power
        host = Host(virtual)
        lines = said(host, "settings", "settings")
        changed = {
            line.body["name"]: line.body["value"]
            for line in lines
            if line.body.get("kind") == "setting" and line.body["value"] != line.body["default"]
        }
        assert changed == {"rate_hz": 20, "edges_per_rev": 6}


@pytest.mark.parametrize(
    ("text", "refused", "rate_hz"),
    [
        ('{"rate_hz": 25, "colour": 3}', "colour", 25),
        ('{"rate_hz": 1000}', "rate_hz", 50),
        ('{"rate_hz": 2', "settings.json", 50),
        ("[1, 2]", "settings.json", 50),
        ("", "settings.json", 50),
        ('{"pin_vane": 14, "rate_hz": 10}', "pin_vane", 10),
    ],
)
def test_a_damaged_settings_file_leaves_the_defaults_and_is_told(
    tmp_path: Path, text: str, refused: str, rate_hz: int
) -> None:
    flash = tmp_path / "flash"
    folder = tmp_path / "flash.folder"  # where the shim's board has its files
    folder.mkdir()
    (folder / "settings.json").write_text(text)
    with board(small_world(tmp_path / "world"), False, flash=flash) as virtual:
        host = Host(virtual)
        host.listen(0.2)
        assert host.messages("hello")[-1].body["rate_hz"] == rate_hz
        assert host.state()["refused"] == refused
        host.reply(host.say("resend 0000000 0000002"))
        host.listen(1.0)
        # Once at the boot and once to the host that came later.
        assert [line.body["sensor"] for line in host.messages("fault")] == ["settings", "settings"]


def test_maintain_gives_the_prompt_once(tmp_path: Path, runs_micropython: bool) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world")
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        assert host.reply(host.say("maintain"))["ok"] is True
        rest = b"".join(host.noise) + host._rest  # what came with the reply
        while block := virtual.reader.read(4096):  # where the board would be at its prompt, this one ends
            rest += block
        assert b"hoodtrace does not start" in rest, virtual.log()
    with board(world, runs_micropython, flash=flash) as virtual:
        assert Host(virtual).state()["logs"] == 0


def test_a_button_that_only_shook_at_power_on_does_not_stop_it(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", button=[[0, 1], [15_000, 0]])
    with board(world, runs_micropython) as virtual:
        assert Host(virtual).state()["logs"] == 0


def test_button_held_at_power_on_gives_the_prompt(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", button=[[0, 1], [1_000_000, 0]])
    with board(world, runs_micropython) as virtual:
        assert b"hoodtrace does not start" in virtual.reader.read(4096)


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize(
    "what", ["crash", "interrupt", "watchdog", "log", "full", "means", "settings", "countdowns", "memory"]
)
def test_on_board(tmp_path: Path, what: str) -> None:
    world = small_world(tmp_path / "world", 300.0)
    assert run_on_board("restarts.py", world, what).splitlines()[-1] == "all right"


def test_a_command_that_fails_on_the_board_does_not_stop_it(tmp_path: Path) -> None:
    folder = tmp_path / "flash.folder"
    (folder / "maintain").mkdir(parents=True)  # a folder where a file should be written
    with board(small_world(tmp_path / "world"), False, flash=tmp_path / "flash") as virtual:
        host = Host(virtual)
        host.listen(1.0)
        to = host.say("maintain")
        assert host.reply(to) == {"kind": "reply", "to": to, "ok": False, "why": "it failed on the board"}
        host.listen(2.0)
    assert len({line.body["boot"] for line in host.messages("hello")}) == 1


def test_a_crash_note_is_told_and_forgotten(tmp_path: Path) -> None:
    folder = tmp_path / "flash.folder"
    folder.mkdir()
    (folder / "crash.txt").write_text('Traceback:\n File "app.py", line 3\nValueError: \\ "x"\n')
    with board(small_world(tmp_path / "world"), False, flash=tmp_path / "flash") as virtual:
        host = Host(virtual)
        assert host.state()["crash"] is True
        said(host, "crash", "crash")
        assert host.messages("crash")[0].body["text"] == "Traceback: File 'app.py', line 3 ValueError: / 'x'"
        assert host.reply(host.say("crash forget"))["ok"] is True
        assert host.state()["crash"] is False
        assert host.reply(host.say("crash remember"))["ok"] is False


def test_field_mode_stays_up(tmp_path: Path, runs_micropython: bool) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world", 60.0)
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        assert host.reply(host.say("set field true"))["ok"] is True
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        host.listen(40.0)
        assert host.state()["field"] is True
    assert len({line.body["boot"] for line in host.messages("hello")}) == 1


def test_a_supply_that_fails_is_flagged_and_flash_is_left_alone(tmp_path: Path, runs_micropython: bool) -> None:
    flash = tmp_path / "flash"
    world = small_world(
        tmp_path / "world", 60.0, supply_mv=[[0, 5000], [10_000_000, 3100], [15_000_000, 3350], [20_000_000, 5000]]
    )
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        assert host.reply(host.say("set pin_supply 28"))["ok"] is True
    with board(world, runs_micropython, flash=flash) as virtual:
        host = Host(virtual)
        host.listen(25.0)
    low = [line.t_us / 1e6 for line in host.samples() if line.fields[4] & 0x40]
    assert low[0] == pytest.approx(10.5, abs=0.6)
    assert low[-1] == pytest.approx(20.5, abs=0.6)
    assert len(low) == pytest.approx(50 * (low[-1] - low[0]), abs=3)
    # 3.35 V, just over the limit, is not well again: it would come and go with each flash of the LED.
    assert [line.body["state"] for line in host.messages("fault") if line.body["sensor"] == "supply"] == [
        "low", "well again",
    ]  # fmt: skip


@pytest.mark.usefixtures("micropython")
def test_flash_waits_while_the_supply_is_low(tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world", 300.0, supply_mv=[[0, 5000], [5_000_000, 3100], [100_000_000, 5000]])
    with board(world, True, flash=flash) as virtual:
        host = Host(virtual)
        assert host.reply(host.say("set pin_supply 28"))["ok"] is True
    with board(world, True, flash=flash) as virtual:
        host = Host(virtual)
        wait_until(host, 90.0)
        state = host.state()
        assert (state["supply_low"], state["stalls"]) == (True, 0)
        wait_until(host, 130.0)
        assert host.state()["stalls"] != 0


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize("counting", ["pio", "counter"])
@pytest.mark.parametrize("edge_us", [10_007, 70_001])  # many edges fall into such a stall, or one at most
def test_flash_that_a_command_writes_keeps_pairs_true_and_is_flagged(
    tmp_path: Path, counting: str, edge_us: int
) -> None:
    world = small_world(tmp_path / "world", 60.0, edge_every_us=edge_us, counting=counting)
    with board(world, True) as virtual:
        host = Host(virtual)
        for value in range(1, 20):
            host.listen(1.0 + value / 2)
            assert host.reply(host.say(f"set edges_per_rev {value}"))["ok"] is True
        host.listen(15.0)
    flagged = 0
    for line in host.samples():
        edges, age_us, *_, flags = line.fields
        flagged += bool(flags & 0x10)
        assert age_us == 0xFFFFFF or abs(line.t_us - age_us - 100_000 - (edges - 1) * edge_us) <= 20
    assert flagged >= 1  # most of so small a file goes into a page that is erased already


@pytest.mark.usefixtures("micropython")
def test_a_full_log_is_told_to_whoever_comes(tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world", 90.0)
    run_on_board("fill_flash.py", world, "full", flash=flash)
    with board(world, True, flash=flash) as virtual:
        host = Host(virtual)
        state = host.state()
        assert (state["log"], state["logs"]) == ("ok", 0)  # nothing was tried yet
        assert 0 <= float(str(state["free_kib"])) < 128
        wait_until(host, 40.0)
        assert host.state()["log"] == "full"
        heard_from = len(host.lines)
        host.listen_on(3.0)
        faults = [line.body for line in host.lines[heard_from:] if line.body.get("kind") == "fault"]
        assert [(body["sensor"], body["state"]) for body in faults] == [("log", "full")]
        host.reply(host.say("set log false"))  # flash has no room for that either
        assert len({line.body["boot"] for line in host.messages("hello")}) == 1


def test_every_new_listener_hears_what_is_amiss(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 60.0, dp_address=None, air=[])
    with board(world, runs_micropython) as virtual:
        host = Host(virtual)
        for until_s in (10.0, 25.0, 40.0):
            heard_from = len(host.lines)
            host.listen(until_s)
            heard = [line.body for line in host.lines[heard_from:] if line.body.get("kind") == "fault"]
            # The air sensor is missed at 0 s, before the first host; later ones hear both with their first lines.
            assert {(body["sensor"], body["state"]) for body in heard} == {("dp", "lost"), ("air", "lost")}
            wait_until(host, until_s + 5.0)


@pytest.mark.usefixtures("micropython")
def test_many_small_logs_do_not_stop_the_board(tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    world = small_world(tmp_path / "world", 200.0)
    n_files = 150
    assert f"files {n_files}" in run_on_board("fill_flash.py", world, "many", str(n_files), flash=flash)
    with board(world, True, flash=flash) as virtual:
        host = Host(virtual)
        assert host.reply(host.say("set field true"))["ok"] is True
    with board(world, True, flash=flash) as virtual:
        host = Host(virtual)
        host.listen(1.0)
        asked_us = host.lines[-1].t_us
        lines = said(host, "logs", "logs")
        assert lines[-1].body["count"] == n_files
        assert lines[-1].t_us - asked_us < 10e6  # a file a cycle of 20 ms
        wait_until(host, 50.0)
        host.listen_on(3.0)
        assert host.state()["logs"] == n_files + 1
    assert len({line.body["boot"] for line in host.messages("hello")}) == 1
    # Between two samples there is never more than what one block on flash takes.
    samples = host.samples()
    gaps_us = [b.t_us - a.t_us for a, b in itertools.pairwise(samples) if b.seq - a.seq < 4]
    assert max(gaps_us) < 400_000


def test_at_the_lowest_rate_a_host_is_heard(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path / "world", 200.0), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(1.0)
        assert host.reply(host.say("rate 1"))["ok"] is True
        # In one write: on the fast clock each word that comes alone lets time pass, more of it on a busy machine.
        orders = [command(host.seq + i, "keep") for i in range(1, 61)]
        host.seq += len(orders)
        host.board.writer.write(b"".join(orders))
        start_us = host.lines[-1].t_us
        assert host.reply(host.seq)["ok"] is True
        assert host.lines[-1].t_us - start_us < 10e6
