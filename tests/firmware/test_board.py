"""What a host sees of the board, under MicroPython and the CPython shim: lines, commands, lease, resend, faults."""

from __future__ import annotations

import itertools
import select
from pathlib import Path
from zlib import crc32

import pytest

from firmware.bench_host import BoardLine, Host, command, small_world
from hoodtrace.board.virtual import VirtualBoard


def whole(head: bytes) -> bytes:
    """A line with its CRC, whatever is in it."""
    return b"%s %08x\n" % (head, crc32(head))


def board(world: Path, micropython: bool, seed: int | None = 5) -> VirtualBoard:
    return VirtualBoard(world, "fast", "pipe", boot_seed=seed, micropython=micropython)


def test_nothing_is_said_without_keep_and_streaming_ends_without_it(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path, 60), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(2.0)
        first = host.lines[0]
        # The first line answers the first command: the board said nothing before, though it had made lines.
        assert first.body == {"kind": "reply", "to": 1, "ok": True}
        assert first.seq > 0
        # Damage is no `keep`, but on the fast clock it lets time pass: the stream ends 3 s after the last good one.
        while True:
            virtual.writer.write(b"C 0000000 00000000000000 keep 00000000\n")
            readable, _, _ = select.select([virtual.reader], [], [], 3.0)
            if not readable:
                break
            host.hear()
        kept = host.messages("reply")[-1].t_us
        assert 2_950_000 < host.lines[-1].t_us - kept <= 3_000_000
        to = host.say("hello")  # answered without a lease
        assert host.reply(to)["ok"] is True


def test_samples_say_what_the_world_is(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path, 20, dp_counts=-1234.0), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(15.0)
    samples = host.samples()
    assert not host.noise
    steps = [b.t_us - a.t_us for a, b in itertools.pairwise(samples)]
    assert all(abs(step - 20_000) < 200 for step in steps)
    assert abs(samples[-1].t_us - samples[0].t_us - 20_000 * len(steps)) < 200  # an absolute grid: no drift
    for sample in samples:
        edges, age_us, raw_dp, raw_temp, flags = sample.fields
        assert (raw_dp, raw_temp, flags) == (-1234 & 0xFFFF, 4100, 0)
        # World: edges at 100000 + k * 10007 us.
        # The state machine looks every 4 us, and the clock counts from 10 us after power on.
        n_edges = {max(0, (sample.t_us + within_us - 100_000) // 10_007 + 1) for within_us in (-10, 0, 10)}
        assert edges in n_edges
        true_us = sample.t_us - 100_000 - (edges - 1) * 10_007
        assert age_us == 0xFFFFFF if edges == 0 else abs(age_us - true_us) <= 10
    assert host.lines[-1].seq - host.lines[0].seq == len(host.lines) - 1  # nothing made that was not sent


def test_messages(tmp_path: Path, runs_micropython: bool) -> None:
    world = small_world(tmp_path, 75, button=[[3_000_000, 1], [3_500_000, 0]], dp_counts_per_pa=60)
    with board(world, runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(70.0)
        runtime = virtual.runtime
    hello = host.messages("hello")[0].body
    assert next(iter(hello)) == "kind"
    assert hello == {
        "kind": "hello", "protocol": 1, "firmware": "0.2.0", "board": f"virtual board, {runtime}",
        "boot": hello["boot"], "rate_hz": 50, "dp_counts_per_pa": 60, "dp_temp_counts_per_k": 200,
        "dp_product": "03020b01", "build": hello["build"], "logs": 0, "edges_per_rev": 4,
    }  # fmt: skip
    assert len(str(hello["boot"])) == 8
    for kind, at_most_s in (("hello", 10.1), ("air", 10.1), ("status", 60.1)):
        times = [0.0] + [line.t_us / 1e6 for line in host.messages(kind)]
        assert len(times) > 1
        assert max(b - a for a, b in itertools.pairwise(times)) <= at_most_s
        assert 70 - times[-1] <= at_most_s
    air = host.messages("air")[0].body
    assert air["temp_c"] == pytest.approx(21.0, abs=0.02)
    assert air["rh_pct"] == pytest.approx(45.0, abs=0.1)
    assert air["pressure_pa"] == pytest.approx(98_700, abs=10)
    assert [line.body.get("down", line.body.get("press")) for line in host.messages("button")] == [True, False, "short"]
    for sample in host.samples():
        if sample.t_us < 2.99e6 or 3.01e6 < sample.t_us < 3.49e6 or sample.t_us > 3.51e6:
            assert sample.fields[4] == (4 if 3e6 < sample.t_us < 3.5e6 else 0)


def test_commands_are_answered_and_damaged_ones_change_nothing(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path, 60), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(1.0)
        assert host.reply(host.say("rate 100"))["ok"] is True
        host.listen(2.0)
        assert host.messages("hello")[-1].body["rate_hz"] == 100
        last = host.samples()[-2:]
        assert abs(last[1].t_us - last[0].t_us - 10_000) < 200
        for words in ("rate 0", "rate 101", "rate", "rate -5", "rate 5x", "cue low", "keep now", "resend 0 1", "zeroo"):
            reply = host.reply(host.say(words))
            assert reply["ok"] is False
            assert reply["why"]
        assert host.reply(host.say("zero"))["ok"] is True
        host.listen(3.0)
        assert len(host.messages("zero")) == 1
        good = command(0x777777, "rate 25")
        for i in range(len(good) - 1):
            virtual.writer.write(good[:i] + bytes([good[i] ^ 1]) + good[i + 1 :])
        for noise in (
            good[:-2] + b"\n",
            b"x" * 300 + b"\n",
            whole(b"C 0777776 00000000000000 set rate_hz \xff"),  # a right CRC over what is not ASCII
            whole(b"C 0777776 00000000000000 hello\x07"),
            b"\r\n",
            b"AT+GCAP\r\n",
            good.lower(),
            b" " + good,
        ):
            virtual.writer.write(noise)
        host.listen(6.0)
        assert all(line.body["to"] in range(1, host.seq + 1) for line in host.messages("reply"))
        assert host.messages("hello")[-1].body["rate_hz"] == 100
        virtual.writer.write(good[:-1] + b"\r\n")  # CR LF is accepted
        assert host.reply(0x777777)["ok"] is True
        assert not host.noise


def by_seq(lines: list[BoardLine]) -> dict[int, bytes]:
    return {line.seq: line.raw for line in lines}


def test_resent_lines_are_the_first_ones_byte_for_byte(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path, 60), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(12.0)
        first = by_seq(host.lines)
        start, stop = host.lines[10].seq, host.lines[400].seq
        seen = len(host.lines)
        assert host.reply(host.say(f"resend {start:07x} {stop:07x}"))["ok"] is True
        host.listen(16.0)
        again = [line for line in host.lines[seen:] if line.seq <= stop]
        assert [line.seq for line in again] == list(range(start, stop + 1))
        assert all(line.raw == first[line.seq] for line in again)
        assert {line.kind for line in again} == {"S", "J"}
        # At most four between two live samples.
        between = 0
        for line in host.lines[seen:]:
            between = between + 1 if line.seq <= stop else 0 if line.kind == "S" else between
            assert between <= 4
        # SEQ 0 is the hello of the boot, made before anybody listened.
        assert host.reply(host.say("resend 0000000 0000000"))["ok"] is True
        host.listen(17.0)
        hello = [line for line in host.lines if line.seq == 0]
        assert [line.body["kind"] for line in hello] == ["hello"]


def test_what_the_ring_no_longer_holds_is_refused_by_name(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path, 130), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(1.0)
        host.say("rate 100")
        host.listen(60.0)
        newest = host.lines[-1].seq
        assert newest > 4096 + 500
        seen = len(host.lines)
        reply = host.reply(host.say(f"resend 0000000 {newest - 4000:07x}"))
        assert reply["ok"] is False
        why = str(reply["why"])
        assert why.startswith("0000000..")
        first_held = int(why[9:16], 16) + 1
        assert newest - 4096 <= first_held <= newest - 4096 + 80  # lines made until the command was read
        host.listen(62.0)
        again = [line.seq for line in host.lines[seen:] if line.seq <= newest - 4000]
        # Some of the rest fell out too while it waited its turn: what did not come was named in another reply.
        named: set[int] = set(range(first_held))
        for line in host.messages("reply"):
            if line.body["to"] == host.seq or ".." in str(line.body.get("why", "")):
                text = str(line.body.get("why", ""))
                if ".." in text:
                    named |= set(range(int(text[:7], 16), int(text[9:16], 16) + 1))
        assert set(again) | named == set(range(newest - 4000 + 1))
        reply = host.reply(host.say("resend fffff00 fffffff"))
        assert reply["why"] == "fffff00..fffffff not held any more"
        ahead = host.lines[-1].seq + 100_000
        reply = host.reply(host.say(f"resend {ahead:07x} {ahead + 5:07x}"))
        assert reply["why"] == f"{ahead:07x}..{ahead + 5:07x} not made yet"


def flag_times(host: Host) -> list[float]:
    return [line.t_us / 1e6 for line in host.samples() if line.fields[4] & 3]


def test_bad_crc_and_silence_of_the_pressure_chip(tmp_path: Path, runs_micropython: bool) -> None:
    faults = [[3_000_000, "dp_crc", 30_000], [5_000_000, "dp_nack", 30_000], [7_000_000, "dp_nack", 2_000_000]]
    with board(small_world(tmp_path, 20, faults=faults), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(14.0)
    bad = [line for line in host.samples() if line.fields[4] & 3]
    assert [line.fields[4] for line in bad if line.t_us < 4e6] in ([1], [1, 1])  # DP only; TEMP's CRC is its own
    assert [line.fields[4] for line in bad if 4e6 < line.t_us < 6e6] in ([3], [3, 3])
    assert {line.fields[2] for line in host.samples()} == {1000}  # the last value stands
    assert [(line.body["sensor"], line.body["state"]) for line in host.messages("fault")] == [
        ("dp", "lost"), ("dp", "found"),
    ]  # fmt: skip
    lost, found = (line.t_us / 1e6 for line in host.messages("fault"))
    assert 7.04 <= lost <= 7.08  # three bad ones in a row
    assert 9.0 < found < 10.3  # asked again each second
    assert all(lost - 0.1 < t < found + 0.1 for t in flag_times(host) if t > 6)
    # The sample grid never waited for the chip.
    samples = host.samples()
    assert all(b.t_us - a.t_us < 20_500 for a, b in itertools.pairwise(samples))


def test_no_sensors_at_all(tmp_path: Path, runs_micropython: bool) -> None:
    with board(small_world(tmp_path, 20, dp_address=None, air=[]), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(5.0)
    assert {line.fields[4] for line in host.samples()} == {3}
    assert sorted(str(line.body["sensor"]) for line in host.messages("fault")) == ["air", "dp"]
    assert "dp_counts_per_pa" not in host.messages("hello")[0].body
    assert not host.messages("air")
    assert host.samples()[-1].fields[0] > 400  # the vane counts all the same


@pytest.mark.parametrize("address", [0x21, 0x26])
def test_chip_at_another_address(tmp_path: Path, runs_micropython: bool, address: int) -> None:
    with board(small_world(tmp_path, 20, dp_address=address), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(2.0)
    assert {line.fields[4] for line in host.samples()} == {0}


def test_restart_begins_again_with_a_new_boot_id(tmp_path: Path, runs_micropython: bool) -> None:
    faults = [[6_000_000, "restart", 500_000]]
    with board(small_world(tmp_path, 30, faults=faults), runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(5.9)
        n = len(host.lines)
        while host.lines[-1].t_us > 5.8e6 or not host.messages("hello")[-1].t_us < 5e6 or len(host.lines) == n:
            host.say("keep")
            host.hear()
        host._kept_us = 0
        host.listen(5.0)
    boots = [line.body["boot"] for line in host.messages("hello")]
    assert len(set(boots)) == 2
    after = [line for line in host.samples()[-200:] if line.t_us < 5.2e6]
    assert after[-1].t_us < 5.2e6
    # Its counts begin at 0 at the second boot, 6.5 s into the world, where the chip was still measuring.
    edges = after[-1].fields[0]
    assert edges == pytest.approx(after[-1].t_us / 10_007, abs=2)
    assert {line.fields[2] for line in after} == {1000}
    assert {line.fields[4] for line in after} == {0}
