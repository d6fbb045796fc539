"""The virtual board on a pseudo-terminal and on a socket, as pyserial sees it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from firmware.bench_host import BoardLine, command, small_world, taken_apart
from hoodtrace.board.virtual import Transport, VirtualBoard
from hoodtrace.errors import FileError


class SerialHost:
    """Keeps the board streaming over pyserial."""

    def __init__(self, port: str) -> None:
        self.link = serial.serial_for_url(port, timeout=0.1)
        self.lines: list[BoardLine] = []
        self.n_noise = 0
        self._rest = b""
        self._kept_us = -1_000_000

    def listen(self, n_samples: int) -> None:
        """Until that many samples came; 20 s without any is a failure."""
        wanted = len(self.samples()) + n_samples
        end = time.monotonic() + 20
        while len(self.samples()) < wanted:
            assert time.monotonic() < end, "the board is silent"
            if not self.lines or self.lines[-1].t_us - self._kept_us > 250_000:
                self._kept_us = self.lines[-1].t_us if self.lines else self._kept_us
                self.link.write(command(len(self.lines), "keep"))
            *whole, self._rest = (self._rest + self.link.read(1 if not self.lines else 200)).split(b"\n")
            for raw in whole:
                line = taken_apart(raw)
                if line:
                    self.lines.append(line)
                else:
                    self.n_noise += raw != b""

    def boot(self) -> object:
        """The boot id of the first hello."""
        return next(line.body["boot"] for line in self.lines if line.body.get("kind") == "hello")

    def samples(self) -> list[BoardLine]:
        return [line for line in self.lines if line.kind == "S"]


@contextmanager
def serial_host(port: str) -> Iterator[SerialHost]:
    host = SerialHost(port)
    tcp = getattr(host.link, "_socket", None)
    try:
        yield host
    finally:
        host.link.close()
        if tcp is not None:
            tcp.close()  # pyserial 3.5 forgets to where the peer hung up first


@pytest.mark.parametrize("transport", ["pty", "socket"])
def test_streams_and_survives_a_pulled_cable(tmp_path: Path, runs_micropython: bool, transport: Transport) -> None:
    with VirtualBoard(small_world(tmp_path, 60), "fast", transport, boot_seed=1, micropython=runs_micropython) as board:
        port = board.port
        with serial_host(port) as host:
            host.listen(300)
            assert host.n_noise == 0
            seqs = [line.seq for line in host.lines]
            assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
            boot = host.boot()
            board.unplug()
            with pytest.raises((serial.SerialException, OSError)):
                host.listen(100_000)
        with pytest.raises(serial.SerialException):
            serial.serial_for_url(port)
        board.replug()
        assert board.port == port
        with serial_host(port) as host:
            host.listen(200)
            # The same boot: it lived on, and what it made meanwhile has its numbers.
            assert {line.body["boot"] for line in host.lines if line.body.get("kind") == "hello"} == {boot}
            assert host.lines[-1].seq > seqs[-1]
        assert board.running
        assert board.log() == ""
    assert not Path(port).exists()


def test_two_hosts_one_after_the_other(tmp_path: Path, runs_micropython: bool) -> None:
    with VirtualBoard(small_world(tmp_path, 60), transport="pty", micropython=runs_micropython) as board:
        for _ in range(2):
            with serial_host(board.port) as host:
                host.listen(100)


def test_real_clock_keeps_pace_with_the_wall(tmp_path: Path, runs_micropython: bool) -> None:
    with VirtualBoard(small_world(tmp_path, 60), "real", micropython=runs_micropython) as board:
        with serial_host(board.port) as host:
            host.listen(5)
            begun_s, begun_us = time.monotonic(), host.lines[-1].t_us
            host.listen(75)
            wall_us = (time.monotonic() - begun_s) * 1e6
            board_us = host.lines[-1].t_us - begun_us
        # The board's 80 periods of 20 ms, seen through reads of up to 0.1 s.
        assert board_us == pytest.approx(wall_us, abs=300_000)


def test_boot_seed_repeats_and_is_new_without(tmp_path: Path, runs_micropython: bool) -> None:
    boots = []
    for seed in (4, 4, 5, None, None):
        board = VirtualBoard(small_world(tmp_path, 20), boot_seed=seed, micropython=runs_micropython)
        with board, serial_host(board.port) as host:
            host.listen(20)
            boots.append(host.boot())
    assert boots[0] == boots[1]
    assert len(set(boots)) == 4


def test_says_what_runs_it(tmp_path: Path, runs_micropython: bool) -> None:
    with VirtualBoard(small_world(tmp_path, 20), micropython=runs_micropython) as board:
        assert board.runtime.startswith("MicroPython 1." if runs_micropython else "CPython shim")


def test_a_folder_without_a_world_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"world\.json"):
        VirtualBoard(tmp_path)
