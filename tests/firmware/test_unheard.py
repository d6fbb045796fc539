"""With nobody listening: full rate in memory, then means on flash without a hole; nothing while the air is still."""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import numpy as np
import pytest

from firmware.bench_host import BoardLine, Host, small_world, wait_until
from hoodtrace.board.virtual import VirtualBoard

EDGE_US = 10_007
GRACE_S, REST_S = 10, 60


def alone(world: Path, micropython: bool, **options: object) -> VirtualBoard:
    """A board whose time flies while nobody speaks to it."""
    return VirtualBoard(world, "free", "pipe", boot_seed=3, micropython=micropython, **options)  # type: ignore[arg-type]


def fetched(host: Host) -> list[BoardLine]:
    """All lines of all logs."""
    return [line for block in fetched_blocks(host) for line in block]


def fetched_blocks(host: Host) -> list[list[BoardLine]]:
    """The same, block by block: as many as the log's own list says, and each was one write of flash."""
    host.reply(host.say("logs"))
    while not host.messages("logs"):
        host.hear()
    blocks: list[list[BoardLine]] = []
    for log in [line.body for line in host.messages("log") if "blocks" in line.body]:
        for block in range(int(str(log["blocks"]))):
            start = len(host.lines)
            assert host.reply(host.say(f"fetch {log['number']} {block}"))["ok"] is True
            while not any(line.body.get("kind") == "fetched" for line in host.lines[start:]):
                host.hear()
            told = next(line.body for line in host.lines[start:] if line.body.get("kind") == "fetched")
            first = next(i for i, line in enumerate(host.lines) if i >= start and line.body.get("kind") == "reply")
            blocks.append(host.lines[first + 1 : first + 1 + int(str(told["lines"]))])
    return blocks


def n_after_last_sample(blocks: list[list[BoardLine]]) -> int:
    """How many of the writes no later sample can tell of.

    A block is written when the line that would come next does not fit, or the log is ended. So where the next block
    begins with the last sample or after it, that sample was already made.
    """
    last = max(line.seq for block in blocks for line in block if line.kind == "S")
    return 1 + sum(block[0].seq >= last for block in blocks[1:])


def test_the_log_has_no_hole_and_says_the_truth(tmp_path: Path, runs_micropython: bool) -> None:
    # Air for two minutes, then stillness for four.
    world = small_world(tmp_path / "world", 120.0, dp_counts=700.0, edge_every_us=EDGE_US)
    with alone(world, runs_micropython) as board:
        host = Host(board)
        wait_until(host, 360)
        blocks = fetched_blocks(host)
        state = host.state()
    lines = [line for block in blocks for line in block]
    assert [line.seq for line in lines] == list(range(len(lines)))  # from the first line of the boot on
    samples = [line for line in lines if line.kind == "S"]
    whole = [line for line in samples if not line.fields[4] & 0x20]
    means = samples[len(whole) :]
    assert all(line.fields[4] & 0x20 for line in means)
    assert GRACE_S <= whole[-1].t_us / 1e6 < GRACE_S + 0.1
    assert len(whole) == pytest.approx(50 * GRACE_S, abs=5)
    for a, b in itertools.pairwise(means):  # one each 0.2 s, but for the time that flash took
        assert abs(b.t_us - a.t_us - 200_000) < 25_000 or (a.fields[4] | b.fields[4]) & 0x18
    # The world stands still from 120 s on: a minute later the log rests.
    assert 120 + REST_S - 0.3 < means[-1].t_us / 1e6 < 120 + REST_S + 0.3
    for line in samples:
        edges, age_us, raw_dp, raw_temp, _ = line.fields
        n_edges = min(max(0, (line.t_us - 100_000) // EDGE_US + 1), (120_000_000 - 100_000 - 1) // EDGE_US + 1)
        if age_us == 0xFFFFFF:
            assert edges in (0, n_edges)
        else:
            # A true pair: so many edges had come by the time of the last one.
            assert line.t_us - age_us == pytest.approx(100_000 + (edges - 1) * EDGE_US, abs=50)
            assert 0 <= n_edges - edges <= (100 if line.fields[4] & 0x10 else 1)
        if line.t_us < 119_500_000:
            assert (raw_dp, raw_temp) == (700, 4100)
    kinds = [line.body["kind"] for line in lines if line.kind == "J"]
    assert kinds.count("air") >= 20
    assert kinds.count("hello") >= 12
    states = [line.body["state"] for line in lines if line.body.get("kind") == "log"]
    assert states == ["begins", "rests"]
    if runs_micropython:  # a real littlefs: each block erased flash, with no interrupts meanwhile
        # Where blocks end depends on when the host asked the time, so two may be full after the last sample.
        n_flagged = sum(bool(line.fields[4] & 0x10) for line in samples)
        assert state["stalls"] == len(blocks) == n_flagged + n_after_last_sample(blocks)
        assert 45_000 <= int(str(state["stall_us"])) < 1_000_000


def test_still_air_is_not_logged(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 5.0, dp_counts=20.0)
    (world / "edges.i64").write_bytes(b"")
    with alone(world, runs_micropython) as board:
        host = Host(board)
        wait_until(host, 600)
        assert fetched(host) == []
        assert host.messages("logs")[-1].body["count"] == 0


def test_steady_air_is_logged_without_a_vane_too(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 200.0, dp_counts=300.0)
    (world / "edges.i64").write_bytes(b"")
    with alone(world, runs_micropython) as board:
        host = Host(board)
        wait_until(host, 300)
        samples = [line for line in fetched(host) if line.kind == "S"]
    assert {line.fields[2] for line in samples if line.t_us < 199e6} == {300}
    assert 255 < samples[-1].t_us / 1e6 < 265  # and a minute after it has stopped
    assert max(b.t_us - a.t_us for a, b in itertools.pairwise(samples)) < 500_000


def test_between_the_hosts_last_line_and_the_log_nothing_is_missing(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 120.0, edge_every_us=EDGE_US)
    with VirtualBoard(world, "fast", "pipe", boot_seed=3, micropython=runs_micropython) as board:
        host = Host(board)
        host.listen(8.0)
        wait_until(host, 60.0)
        heard = {line.seq: line.raw for line in host.lines}
        lines = fetched(host)
    kept = {line.seq: line.raw for line in lines}
    # What came last before the silence is in both, byte for byte; from there to the end of the log there is no hole.
    assert min(kept) in heard
    assert sorted(kept) == list(range(min(kept), max(kept) + 1))
    assert max(kept) >= max(heard)
    both = kept.keys() & heard.keys()
    assert len(both) >= 50
    assert all(kept[seq] == heard[seq] for seq in both)


def test_a_host_that_is_back_in_time_finds_everything_in_memory(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 60.0, edge_every_us=EDGE_US)
    with VirtualBoard(world, "fast", "pipe", boot_seed=3, micropython=runs_micropython) as board:
        host = Host(board)
        host.listen(5.0)
        last = host.lines[-1].seq
        wait_until(host, 12.0)  # the log would begin ten seconds after the last keep, at 15 or so
        host.listen_on(3.0)
        to = host.say(f"resend {last + 1:07x} {host.lines[-1].seq:07x}")
        assert host.reply(to)["ok"] is True
        host.listen_on(5.0)
        assert host.state()["logs"] == 0
    seqs = {line.seq for line in host.lines}
    assert seqs >= set(range(last, max(seqs)))
    assert not any(line.fields[4] & 0x20 for line in host.samples())


def test_a_host_that_comes_later_gets_the_means_in_between(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 90.0, edge_every_us=EDGE_US)
    with VirtualBoard(world, "fast", "pipe", boot_seed=3, micropython=runs_micropython) as board:
        host = Host(board)
        host.listen(5.0)
        last = host.lines[-1].seq
        wait_until(host, 40.0)
        host.listen_on(3.0)
        host.reply(host.say(f"resend {last + 1:07x} {host.lines[-1].seq:07x}"))
        host.listen_on(10.0)
        assert host.state()["logs"] == 1  # what waited was written when the host came
    seqs = {line.seq for line in host.lines}
    assert seqs >= set(range(last, max(seqs)))
    steps = {line.fields[4] & 0x20: line.t_us / 1e6 for line in host.samples()}
    assert steps[0x20] > 38  # means until the host came, then every sample
    assert steps[0] > steps[0x20] + 9


def test_a_long_press_puts_the_log_on_flash(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 60.0, edge_every_us=EDGE_US, button=[[20_000_000, 1], [22_000_000, 0]])
    with VirtualBoard(world, "fast", "pipe", boot_seed=3, micropython=runs_micropython) as board:
        host = Host(board)
        wait_until(host, 24.0)
        assert host.state()["logs"] == 1
        heard = board.heard().split("\n")
    assert [row for row in heard if " tone " in row and not row.endswith(" 0")]


@pytest.mark.parametrize("order", ["restart", "maintain"])
def test_an_ordered_restart_keeps_what_waits(tmp_path: Path, order: str) -> None:
    world = small_world(tmp_path / "world", 100.0, edge_every_us=EDGE_US)
    flash = tmp_path / "flash"
    with VirtualBoard(world, "fast", "pipe", boot_seed=3, micropython=False, flash=flash) as board:
        host = Host(board)
        wait_until(host, 14.0)
        assert host.reply(host.say(order))["ok"] is True
        until_us = host.lines[-1].t_us
    (tmp_path / "flash.folder" / "maintain").unlink(missing_ok=True)  # where it was stopped before it obeyed
    with VirtualBoard(world, "fast", "pipe", boot_seed=4, micropython=False, flash=flash) as board:
        host = Host(board)
        kept = fetched(host)
    assert until_us - 500_000 < kept[-1].t_us <= until_us


def test_a_long_press_before_the_log_began_begins_it(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 60.0, edge_every_us=EDGE_US, button=[[3_000_000, 1], [5_000_000, 0]])
    with VirtualBoard(world, "fast", "pipe", boot_seed=3, micropython=runs_micropython) as board:
        host = Host(board)
        wait_until(host, 6.0)
        assert host.state()["logs"] == 1
        tones = [row.split()[2] for row in board.heard().splitlines() if " tone " in row]
    assert [tone for tone in tones if tone != "0"] == ["880", "1320", "1980"]  # done


@pytest.mark.usefixtures("micropython")
def test_where_edges_would_be_lost_flash_waits_until_the_vane_is_still(tmp_path: Path) -> None:
    world = small_world(tmp_path / "world", 150.0, edge_every_us=EDGE_US, counting="pin")
    with VirtualBoard(world, "fast", "pipe", boot_seed=3) as board:
        host = Host(board)
        wait_until(host, 145.0)
        assert host.state()["stalls"] == 0
        wait_until(host, 160.0)
        state = host.state()
        assert state["stalls"] != 0
        assert state["counting"] == "pin"
        lines = fetched(host)
    assert max(line.fields[0] for line in lines if line.kind == "S") == (150_000_000 - 100_000 - 1) // EDGE_US + 1


@pytest.mark.usefixtures("micropython")
def test_with_memory_half_full_it_no_longer_waits(tmp_path: Path) -> None:
    world = small_world(tmp_path / "world", 900.0, edge_every_us=50_021, counting="pin")
    with alone(world, True) as board:
        host = Host(board)
        # Of 4096 lines in memory 500 are of the first ten seconds, then come five a second: half at about 300 s.
        while (state := host.state())["stalls"] == 0 and host.lines[-1].t_us < 600e6:
            time.sleep(0.03)  # each question adds lines, too
        assert state["stalls"] != 0
        assert 200e6 < host.lines[-1].t_us < 500e6


def test_after_a_rest_the_log_goes_on_in_the_same_file(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path / "world", 400.0, dp_counts=0.0)
    spells = [np.arange(start, start + 5e6, 10_007) for start in (1e6, 100e6, 200e6)]
    np.concatenate(spells).astype("<i8").tofile(world / "edges.i64")
    with alone(world, runs_micropython) as virtual:
        host = Host(virtual)
        wait_until(host, 300.0)
        lines = fetched(host)
    states = [i for i, line in enumerate(lines) if line.body.get("kind") == "log"]
    assert [lines[i].body["state"] for i in states] == ["begins", "rests"] * 3
    for i in states[2::2]:  # each rest began with a write of flash: the next sample tells of it, however late
        assert next(line for line in lines[i:] if line.kind == "S").fields[4] & 0x10
    assert len([line for line in host.messages("log") if "blocks" in line.body]) == 1


def test_a_log_that_nobody_asked_for_yet_is_told(tmp_path: Path, runs_micropython: bool) -> None:
    with VirtualBoard(
        small_world(tmp_path / "world", 100.0), "fast", "pipe", boot_seed=5, micropython=runs_micropython
    ) as virtual:
        host = Host(virtual)
        assert host.state()["logs"] == 0
        wait_until(host, 20.0)
        assert host.state()["logs"] == 1
        assert host.messages("hello")[-1].body["logs"] == 1
