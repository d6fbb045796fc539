"""From lines to samples: boots, order, duplicates, wraps and losses, each case by name.

Contract: every stream is written out here line by line, and what must come out is counted by hand. Samples are 20 ms
apart unless said; `BOTH` runs a case as a whole file and live.
"""

from __future__ import annotations

import numpy as np
import pytest

from hoodtrace.wire.decoder import Decoder
from hoodtrace.wire.lines import line, note, sample_body
from hoodtrace.wire.samples import Assembler, Clock, Samples

BOTH = pytest.mark.parametrize("patience_s", [None, 60.0], ids=["file", "live"])
CUTS = pytest.mark.parametrize("size", [11, 61, 10_000])
START_US = 3_000_000
STEP_US = 20_000


def s(seq: int, t_us: int | None = None, edges: int = 0) -> bytes:
    return line(
        "S", seq % (1 << 28), START_US + STEP_US * seq if t_us is None else t_us, sample_body(edges, 9, 1, 2, 0)
    )


def hello(seq: int, boot: str = "aaaa0001", protocol: int | str = 1, rate_hz: int = 50) -> bytes:
    body = f'{{"kind":"hello","protocol":{protocol},"boot":"{boot}","rate_hz":{rate_hz}}}'
    return line("J", seq % (1 << 28), START_US + STEP_US * seq, body)


def run(data: bytes, patience_s: float | None, size: int = 1 << 20) -> tuple[list[Samples], Assembler]:
    decoder, assembler = Decoder(), Assembler(patience_s)
    out = []
    for at in range(0, len(data), size):
        out += assembler.feed(decoder.feed(data[at : at + size]))
    out += assembler.feed(decoder.finish())
    return out + assembler.finish(), assembler


def seqs(out: list[Samples]) -> dict[int, list[int]]:
    """SEQ of the samples by boot number, in the order in which they came out."""
    found: dict[int, list[int]] = {}
    for samples in out:
        found.setdefault(samples.boot.number, []).extend(samples.seq.tolist())
    return {number: seq for number, seq in found.items() if seq}


def edges(out: list[Samples]) -> list[int]:
    return np.concatenate([samples.edges for samples in out]).tolist()  # type: ignore[no-any-return]


@BOTH
def test_a_whole_stream_passes(patience_s: float | None) -> None:
    out, assembler = run(hello(0) + b"".join(s(i, edges=3 * i) for i in range(1, 10)), patience_s)
    assert seqs(out) == {1: list(range(1, 10))}
    assert np.concatenate([p.t_us for p in out]).tolist() == [START_US + STEP_US * i for i in range(1, 10)]
    assert edges(out) == [3 * i for i in range(9)]
    assert (out[0].boot.id, out[0].boot.positive("rate_hz")) == ("aaaa0001", 50.0)
    assert (assembler.n_lost, assembler.n_late, assembler.n_stray, assembler.n_boots) == (0, 0, 0, 1)


@BOTH
def test_a_gap_is_counted(patience_s: float | None) -> None:
    out, assembler = run(hello(0) + b"".join(s(i) for i in range(1, 20) if i not in (4, 5, 9)), patience_s)
    assert seqs(out) == {1: [i for i in range(1, 20) if i not in (4, 5, 9)]}
    assert assembler.n_lost == 3


@BOTH
def test_a_lost_message_is_a_loss_too(patience_s: float | None) -> None:
    _, assembler = run(hello(0) + s(1) + s(3), patience_s)
    assert assembler.n_lost == 1
    air = line("J", 2, START_US + 2 * STEP_US, '{"kind":"air"}')
    out, assembler = run(hello(0) + s(1) + air + s(3), patience_s)
    assert assembler.n_lost == 0
    assert [m.body["kind"] for p in out for m in p.messages] == ["hello", "air"]


@CUTS
@BOTH
def test_a_restart_with_its_hello(patience_s: float | None, size: int) -> None:
    first = hello(0) + b"".join(s(i, edges=100 + i) for i in range(1, 40))
    second = hello(0, "bbbb0002") + b"".join(s(i, edges=i) for i in range(1, 6))
    out, assembler = run(first + second, patience_s, size)
    assert seqs(out) == {1: list(range(1, 40)), 2: [1, 2, 3, 4, 5]}
    assert (assembler.n_boots, assembler.n_lost, assembler.n_stray) == (2, 0, 0)
    assert edges([p for p in out if p.boot.number == 2]) == [0, 1, 2, 3, 4]


@CUTS
@BOTH
def test_a_restart_whose_hello_comes_only_later(patience_s: float | None, size: int) -> None:
    first = hello(0) + b"".join(s(i) for i in range(1, 40))
    second = b"".join(s(i) for i in range(1, 12)) + hello(12, "bbbb0002") + s(13) + s(14)
    out, assembler = run(first + second, patience_s, size)
    assert seqs(out) == {1: list(range(1, 40)), 2: [*range(1, 12), 13, 14]}
    assert (assembler.n_boots, assembler.n_lost, assembler.n_stray) == (2, 0, 0)
    assert {p.boot.id for p in out if len(p) and p.boot.number == 2} == {"bbbb0002"}


@CUTS
@BOTH
def test_a_restart_that_never_says_hello_changes_nothing_before_it(patience_s: float | None, size: int) -> None:
    # Cut off before its first hello: SEQ goes back, TIME is another. Nothing tells which boot it is, so it is not used.
    first = hello(0) + b"".join(s(i, edges=i) for i in range(1, 40))
    second = b"".join(s(i, START_US + STEP_US * i + 7000, edges=500) for i in range(1, 12))
    out, assembler = run(first + second, patience_s, size)
    assert seqs(out) == {1: list(range(1, 40))}
    assert np.concatenate([p.t_us for p in out]).tolist() == [START_US + STEP_US * i for i in range(1, 40)]
    assert edges(out) == list(range(39))
    assert (assembler.n_boots, assembler.n_lost) == (1, 0)


@CUTS
@BOTH
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mixed_up_order_is_put_right(patience_s: float | None, size: int, seed: int) -> None:
    # Lines change places within 40 of each other (0.8 s); the first stays, live it is where the boot begins.
    rng = np.random.default_rng([60, seed])
    sent = [s(i, edges=3 * i) for i in range(2, 400)]
    places = np.argsort(np.arange(len(sent)) + rng.uniform(0, 40, len(sent)), kind="stable")
    assert np.any(np.diff(places) < 0)
    out, assembler = run(hello(0) + s(1, edges=3) + b"".join(sent[i] for i in places), patience_s, size)
    assert seqs(out) == {1: list(range(1, 400))}
    assert edges(out) == [3 * i for i in range(399)]
    assert (assembler.n_boots, assembler.n_lost, assembler.n_late, assembler.n_stray) == (1, 0, 0, 0)


@CUTS
@BOTH
def test_a_line_sent_again_over_the_wrap_of_seq_and_edges(patience_s: float | None, size: int) -> None:
    top, full = 1 << 28, 1 << 24
    sent = [s(top - 5 + i, START_US + STEP_US * i, edges=(full - 10 + 4 * i) % full) for i in range(1, 12)]
    data = line("J", top - 5, START_US, '{"kind":"hello","protocol":1,"boot":"aaaa0001","rate_hz":50}')
    out, assembler = run(data + b"".join(sent[:3] + sent[5:9] + sent[3:5] + sent[9:]), patience_s, size)
    assert np.diff(seqs(out)[1]).tolist() == [1] * 10
    assert edges(out) == [4 * i for i in range(11)]
    assert assembler.n_lost == 0


@BOTH
def test_seq_wraps(patience_s: float | None) -> None:
    top = 1 << 28
    out, assembler = run(
        hello(top - 4) + b"".join(s(i) for i in range(top - 3, top + 4) if i != top + 1), patience_s
    )  # fmt: skip
    assert np.diff(seqs(out)[1]).tolist() == [1, 1, 1, 2, 1]
    assert assembler.n_lost == 1


@BOTH
def test_edges_wrap(patience_s: float | None) -> None:
    top = 1 << 24
    counts = [top - 5, top - 1, 0, 7, 7]
    out, _ = run(hello(0) + b"".join(s(i + 1, edges=e) for i, e in enumerate(counts)), patience_s)
    assert edges(out) == [0, 4, 5, 12, 12]


@CUTS
@BOTH
def test_edges_go_on_over_a_gap(patience_s: float | None, size: int) -> None:
    out, _ = run(hello(0) + s(1, edges=10) + s(4, edges=25) + s(5, edges=30), patience_s, size)
    assert edges(out) == [0, 15, 20]


@CUTS
@BOTH
def test_repeated_lines_are_dropped(patience_s: float | None, size: int) -> None:
    out, assembler = run(hello(0) + s(1) + s(2) + s(2) + s(3) + s(1) + hello(0) + s(4) + s(4) + s(5), patience_s, size)
    assert seqs(out) == {1: [1, 2, 3, 4, 5]}
    assert (assembler.n_lost, assembler.n_late, assembler.n_stray, assembler.n_boots) == (0, 0, 0, 1)
    assert sum(len(p.messages) for p in out) == 1


@CUTS
@BOTH
def test_a_line_sent_again_fills_its_hole(patience_s: float | None, size: int) -> None:
    sent = [hello(0), *(s(i, edges=2 * i) for i in range(1, 300))]
    data = b"".join(sent[:10]) + b"".join(sent[12:200]) + sent[11] + sent[10] + b"".join(sent[200:])
    out, assembler = run(data, patience_s, size)
    assert seqs(out) == {1: list(range(1, 300))}
    assert edges(out) == [2 * i for i in range(299)]
    assert (assembler.n_lost, assembler.n_late) == (0, 0)


def slow(n: int, hole: int) -> list[bytes]:
    """A hello and samples one second apart; number `hole` is taken out and comes last."""
    lines = [s(i, START_US + 1_000_000 * i) for i in range(1, n)]
    again = lines.pop(hole - 1)
    return [hello(0), *lines, again, s(n, START_US + 1_000_000 * n)]


@CUTS
def test_live_a_line_later_than_its_patience_is_dropped_and_counted(size: int) -> None:
    # Number 3 comes after number 70 of one sample a second: 67 s late.
    out, assembler = run(b"".join(slow(71, 3)), 60.0, size)
    assert seqs(out) == {1: [i for i in range(1, 72) if i != 3]}
    assert (assembler.n_late, assembler.n_lost) == (1, 1)


@CUTS
def test_live_a_line_within_its_patience_is_used(size: int) -> None:
    out, assembler = run(b"".join(slow(61, 3)), 60.0, size)
    assert seqs(out) == {1: list(range(1, 62))}
    assert (assembler.n_late, assembler.n_lost) == (0, 0)


def test_in_a_file_a_line_counts_however_late() -> None:
    out, assembler = run(b"".join(slow(500, 3)), None)
    assert seqs(out) == {1: list(range(1, 501))}
    assert (assembler.n_late, assembler.n_lost) == (0, 0)


def test_live_a_hole_holds_back_what_follows_until_it_is_filled() -> None:
    decoder, assembler = Decoder(), Assembler(60.0)
    assert seqs(assembler.feed(decoder.feed(hello(0) + s(1) + s(2)))) == {1: [1, 2]}
    assert seqs(assembler.feed(decoder.feed(s(4) + s(5)))) == {}
    assert seqs(assembler.feed(decoder.feed(s(3) + s(6)))) == {1: [3, 4, 5, 6]}


@CUTS
@BOTH
def test_lines_before_the_first_hello_belong_to_it(patience_s: float | None, size: int) -> None:
    out, assembler = run(b"".join(s(i) for i in range(7, 12)) + hello(12) + s(13), patience_s, size)
    assert seqs(out) == {1: [7, 8, 9, 10, 11, 13]}
    assert all(p.boot.hello["rate_hz"] == 50 for p in out)
    assert (assembler.n_lost, assembler.n_boots) == (0, 1)


@BOTH
def test_without_any_hello_there_is_one_nameless_boot(patience_s: float | None) -> None:
    out, assembler = run(s(1) + s(2) + s(4), patience_s)
    assert seqs(out) == {1: [1, 2, 4]}
    assert (out[0].boot.id, out[0].boot.hello, assembler.n_lost) == ("", {}, 1)


@CUTS
@BOTH
def test_opened_again_a_board_that_restarted_and_ran_on(patience_s: float | None, size: int) -> None:
    # SEQ and TIME go forward over the note, so only the hello tells that it is another boot.
    first = hello(0) + b"".join(s(i) for i in range(1, 10))
    again = note(9, START_US + 9 * STEP_US, {"kind": "opened", "utc": "2030-01-01T09:00:00Z"})
    second = b"".join(s(i) for i in range(50, 60)) + hello(60, "bbbb0002") + s(61)
    out, assembler = run(first + again + second, patience_s, size)
    assert seqs(out) == {1: list(range(1, 10)), 2: [*range(50, 60), 61]}
    assert (assembler.n_boots, assembler.n_lost, assembler.n_stray) == (2, 0, 0)


@CUTS
@BOTH
def test_opened_again_the_same_boot_goes_on(patience_s: float | None, size: int) -> None:
    first = hello(0) + b"".join(s(i) for i in range(1, 10))
    again = note(9, START_US + 9 * STEP_US, {"kind": "opened", "utc": "2030-01-01T09:00:00Z"})
    out, assembler = run(first + again + s(12) + hello(13) + s(14), patience_s, size)
    assert seqs(out) == {1: [*range(1, 10), 12, 14]}
    assert (assembler.n_boots, assembler.n_lost) == (1, 2)


@CUTS
@BOTH
def test_after_a_long_silence_the_next_hello_decides(patience_s: float | None, size: int) -> None:
    # The second boot's lines come with higher SEQ and five seconds later by their own clock.
    first = hello(0) + b"".join(s(i) for i in range(1, 10))
    second = b"".join(s(i) for i in range(300, 310)) + hello(310, "bbbb0002") + s(311)
    out, assembler = run(first + second, patience_s, size)
    assert seqs(out) == {1: list(range(1, 10)), 2: [*range(300, 310), 311]}
    assert assembler.n_lost == 0


@BOTH
def test_a_changed_hello_of_the_same_boot_cuts_the_samples(patience_s: float | None) -> None:
    out, assembler = run(hello(0) + s(1) + s(2) + hello(3, rate_hz=25) + s(4) + s(5), patience_s)
    rates = {q: p.boot.hello["rate_hz"] for p in out for q in p.seq.tolist()}
    assert rates == {1: 50, 2: 50, 4: 25, 5: 25}
    assert assembler.n_boots == 1


@BOTH
def test_another_protocol_is_noted(patience_s: float | None) -> None:
    assert run(hello(0) + s(1), patience_s)[1].other_protocol is None
    for protocol, told in (("2", "2"), ("true", "True"), ("null", "None"), ('"1"', "1")):
        assert run(hello(0, protocol=protocol) + s(1), patience_s)[1].other_protocol == told


@CUTS
def test_stray_lines_are_counted_and_not_used(size: int) -> None:
    first = hello(0) + b"".join(s(i) for i in range(1, 10))
    again = note(9, START_US + 9 * STEP_US, {"kind": "opened", "utc": "2030-01-01T09:00:00Z"})
    # No hello follows; SEQ 5 was already there at another time, 6 is what was there.
    out, assembler = run(first + again + s(5, 99_000_000) + s(6), None, size)
    assert seqs(out) == {1: list(range(1, 10))}
    assert assembler.n_stray == 1


@BOTH
def test_the_first_clock_note_of_each_boot_is_kept(patience_s: float | None) -> None:
    def clock(seq: int, second: int) -> bytes:
        return note(seq, START_US + STEP_US * seq, {"kind": "clock", "utc": f"1970-01-01T00:00:{second:02d}Z"})

    first = hello(0) + s(1) + clock(1, 10) + s(2) + clock(2, 20)
    second = hello(0, "bbbb0002") + s(1) + s(2) + clock(2, 50)
    _, assembler = run(first + second, patience_s)
    assert assembler.clocks == [Clock(1, START_US + STEP_US, 10.0), Clock(2, START_US + 2 * STEP_US, 50.0)]


@BOTH
@pytest.mark.parametrize("utc", ["soon", 5, None, "2030-01-01T09:00:00"], ids=["word", "number", "null", "no zone"])
def test_a_clock_note_without_a_time_is_passed_over(patience_s: float | None, utc: object) -> None:
    _, assembler = run(hello(0) + s(1) + note(1, START_US + STEP_US, {"kind": "clock", "utc": utc}), patience_s)
    assert assembler.clocks == []


@pytest.mark.parametrize(("value", "expected"), [("50", 50.0), ("0.5", 0.5), ("0", None), ("-1", None), ("true", None),
                                                 ('"50"', None), ("1e999", None), ("null", None)])  # fmt: skip
def test_a_positive_number_in_the_hello(value: str, expected: float | None) -> None:
    data = line("J", 0, START_US, f'{{"kind":"hello","boot":"aaaa0001","rate_hz":{value}}}') + s(1)
    out, _ = run(data, None)
    assert out[-1].boot.positive("rate_hz") == expected


@BOTH
@pytest.mark.parametrize("depth", [50, 300, 900, 990, 30_000])
def test_a_deeply_nested_hello_is_never_fatal(patience_s: float | None, depth: int) -> None:
    deep = line("J", 2, START_US + 2 * STEP_US, '{"kind":"hello","boot":' + "[" * depth + "]" * depth + "}")
    out, _ = run(hello(0) + s(1) + deep + s(3) + deep + s(4), patience_s)
    assert sorted(q for p in out for q in p.seq.tolist()) == [1, 3, 4]


def test_live_a_late_line_among_those_that_wait_for_the_first_hello() -> None:
    data = s(6) + s(4) + s(7) + hello(8)
    for size in (1, 10_000):
        out, assembler = run(data, 60.0, size)
        assert seqs(out) == {1: [4, 6, 7]}
        assert (assembler.n_late, assembler.n_stray, assembler.n_lost) == (0, 0, 1)


def test_live_a_hello_behind_a_silence_decides_however_the_stream_is_cut() -> None:
    data = hello(0) + s(9) + s(10, START_US + 3_200_000) + hello(160) + s(8) + s(161)
    for size in (1, 10_000):
        out, assembler = run(data, 60.0, size)
        assert seqs(out) == {1: [8, 9, 10, 161]}
        assert (assembler.n_late, assembler.n_stray, assembler.n_lost) == (0, 0, 156)


def test_a_message_whose_time_goes_back_waits_for_the_hello_however_the_stream_is_cut() -> None:
    air = line("J", 16, START_US + STEP_US * 16, '{"kind":"air"}')
    blocks = [hello(0) + b"".join(s(i) for i in range(1, 15)), s(15, START_US + STEP_US * 17) + air + hello(17), s(18)]
    for cut in (blocks, [b"".join(blocks)]):
        decoder, assembler = Decoder(), Assembler()
        for block in cut:
            assembler.feed(decoder.feed(block))
        out = assembler.finish()
        assert seqs(out) == {1: [*range(1, 16), 18]}
        assert [message.seq for part in out for message in part.messages] == [0, 16, 17]
        assert (assembler.n_stray, assembler.n_lost) == (0, 0)
