"""The trace file as it is written: what came from the board, byte for byte, with host notes between lines.

Append-only. `TraceWriter.write` puts a block into the file before it looks at it, without a buffer of its own, so a
kill at any moment leaves a valid trace up to the last whole line. `note` puts an H line between two lines: in the
middle of a line it waits for the next line feed. Both return the bytes as they went into the file, notes included, so
that a live decoder sees exactly what a replay of the file will see. An existing trace is continued, never overwritten.
Reads no clock: whoever records calls `sync` about once a second.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from hoodtrace.errors import TraceError
from hoodtrace.wire.lines import MAX_LENGTH, json_body, note, parse

_BLOCK = 1 << 20
_FULL = {errno.ENOSPC: "the disk is full", errno.EDQUOT: "your share of the disk is full"}
_FULL[errno.EFBIG] = "the file has reached the largest size that is allowed here"


@dataclass(frozen=True, slots=True)
class ClosedTrace:
    """A trace as it lies on the disk: its length in bytes and the SHA-256 of all of them (64 hex digits)."""

    path: Path
    n_bytes: int
    sha256: str


class TraceWriter:
    """Append received bytes and host notes to the trace at `path`.

    Parameters
    ----------
    path : Path or str
        A new file, or a trace to go on with; if that ends in a cut line, a line feed goes first.

    Attributes
    ----------
    n_bytes : int
        Length of the file.
    seq, t_us : int
        SEQ and TIME of the last good board line (S or J) in the file, zeros before the first.
    boot : str
        Boot id of the board whose lines an existing trace ended with, as far as its end says; else empty.
    between_lines : bool
        Whether the file ends with a whole line (or is empty).
    was_there : bool
        Whether `path` held a trace already, which is then continued.

    Raises
    ------
    TraceError
        The file can't be opened, is no trace, or (in any method) the disk does not take the bytes.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.trace"
    >>> with TraceWriter(path) as trace:
    ...     at_once = trace.note("opened", port="loop://")
    ...     cut = trace.write(b"half a")
    ...     waits = trace.note("clock", utc="2026-01-01T00:00:00Z")
    ...     rest = trace.write(b" line\\nnext\\n")
    >>> waits, rest.count(b"\\n"), path.read_bytes() == at_once + cut + rest
    (b'', 3, True)
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.n_bytes = 0
        self.seq = 0
        self.t_us = 0
        self.boot = ""
        self.between_lines = True
        self._tail = b""
        self._notes: list[dict[str, Any]] = []
        self._failed = False
        self._closed: ClosedTrace | None = None
        flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        try:
            self._fd = os.open(self.path, flags, 0o644)
        except OSError as error:
            raise TraceError(self.path, f"can't be opened for writing: {error.strerror}; name another") from error
        try:
            self.n_bytes = os.fstat(self._fd).st_size
            self.was_there = self.n_bytes > 0
            if self.was_there:
                self._take_up()
            else:
                self._sync_folder()
        except BaseException:
            os.close(self._fd)
            raise

    def write(self, block: bytes) -> bytes:
        """Append `block` as it was received; return what went into the file: the block, and notes that waited."""
        cut = block.find(b"\n") + 1 if self._notes else 0
        if cut == 0:
            self._put(block)
            return block
        self._put(block[:cut])
        notes = self._put_notes()
        self._put(block[cut:])
        return block[:cut] + notes + block[cut:]

    def note(self, kind: str, *, cut_line: bool = False, **fields: Any) -> bytes:
        """Append a host note between lines; return what went into the file, empty while the note waits.

        Parameters
        ----------
        kind : str
            `opened`, `clock`, `gap`, `closed` or a kind of the caller's own.
        cut_line : bool
            The rest of a line that stands cut will never come (link lost, end of the recording): a line feed goes
            first, and the note does not wait.
        **fields
            JSON values.
        """
        self._notes.append({"kind": kind, **fields})
        end = b""
        if cut_line and not self.between_lines:
            end = b"\n"
            self._put(end)
        return end + self._put_notes() if self.between_lines else b""

    def sync(self) -> None:
        """Have the disk itself hold everything that was written."""
        try:
            os.fsync(self._fd)
        except OSError as error:
            # Pipes and devices have nothing to flush.
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise self._refused(error) from error

    def close(self) -> ClosedTrace:
        """Write notes that still wait, flush to the disk, close; return length and SHA-256. May be called twice."""
        if self._closed is not None:
            return self._closed
        try:
            if not self._failed:
                if self._notes and not self.between_lines:
                    self._put(b"\n")
                self._put_notes()
                self.sync()
        finally:
            os.close(self._fd)
            self._closed = closed_trace(self.path)
        return self._closed

    def __enter__(self) -> TraceWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    def _put(self, data: bytes) -> None:
        """Write all of `data` (the system may take it in pieces), then look at it."""
        left = memoryview(data)
        while left:
            try:
                n = os.write(self._fd, left)
            except OSError as error:
                raise self._refused(error) from error
            self.n_bytes += n
            left = left[n:]
        self._look(data)

    def _put_notes(self) -> bytes:
        notes = b"".join(note(self.seq, self.t_us, fields) for fields in self._notes)
        self._notes = []
        self._put(notes)
        return notes

    def _look(self, data: bytes) -> None:
        """Learn from bytes that are in the file whether they end a line, and the last good board line."""
        cut = data.rfind(b"\n") + 1
        if cut == 0:
            # Never more than a longest line is kept; a longer stretch is noise.
            self._tail = (self._tail + data)[: MAX_LENGTH + 1]
        else:
            whole, self._tail = self._tail + data[:cut], data[cut : cut + MAX_LENGTH + 1]
            for stretch in reversed(whole.split(b"\n")):
                found = parse(stretch)
                if found is not None and found.kind in "SJ":
                    self.seq, self.t_us = found.seq, found.t_us
                    break
        self.between_lines = not self._tail

    def _take_up(self) -> None:
        """Go on with an existing trace: find its last good board line, end a cut line."""
        os.lseek(self._fd, max(0, self.n_bytes - 2 * MAX_LENGTH), os.SEEK_SET)
        end = os.read(self._fd, 2 * MAX_LENGTH)
        os.lseek(self._fd, 0, os.SEEK_SET)
        start = os.read(self._fd, 2 * MAX_LENGTH)
        if not any(parse(stretch) for stretch in (start + b"\n" + end).split(b"\n")):
            raise TraceError(self.path, "is there already and is no trace; nothing was changed, name another file")
        self._look(end)
        said = [json_body(found.body) for found in map(parse, end.split(b"\n")) if found and found.kind in "JH"]
        for body in said:
            if body.get("kind") in ("hello", "gap"):
                self.boot = str(body.get("boot", ""))
        if not self.between_lines:
            self._put(b"\n")

    def _sync_folder(self) -> None:
        """Have the disk hold the new file's name too; where a folder can't be opened, the system sees to it."""
        with contextlib.suppress(OSError):
            folder = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)

    def _refused(self, error: OSError) -> TraceError:
        self._failed = True
        why = _FULL.get(error.errno or 0, f"the disk does not take the bytes: {error.strerror}")
        return TraceError(
            self.path,
            f"{why}; recording ended. The {self.n_bytes} bytes before are kept and are a valid trace. Make room, or "
            "name a file on another disk, and record again: an existing trace is continued",
            self.n_bytes,
        )


def blocks_of(path: Path) -> Iterator[bytes]:
    """Yield the bytes of the trace at `path` in blocks as `Decoder.feed` takes them.

    Raises
    ------
    TraceError
        The file can't be read.
    """
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                yield block
    except OSError as error:
        raise TraceError(path, f"the trace can't be read ({error.strerror}). Check the path.") from error


def closed_trace(path: Path | str) -> ClosedTrace:
    """Return length and SHA-256 of the file at `path` as it lies there now.

    Raises
    ------
    TraceError
        The file can't be read.
    """
    try:
        with open(path, "rb") as file:
            if not os.path.isfile(path):
                return ClosedTrace(Path(path), 0, hashlib.sha256().hexdigest())
            digest = hashlib.file_digest(file, "sha256")
            return ClosedTrace(Path(path), file.tell(), digest.hexdigest())
    except OSError as error:
        raise TraceError(path, f"can't be read: {error.strerror}") from error
