"""Everything that can go wrong, as one tree.

HoodtraceError
├── UsageError            exit 2   the words of the command are off
├── LinkError             exit 3   no way to the board (with a reason)
├── FileError             exit 4   a file cannot serve
│   ├── TraceError                 a trace: path and, where known, byte offset
│   ├── HoodError                  a hood file: path and key
│   └── VisitError                 a plan, journal or visit folder: path and key
└── MeasurementError      exit 5   the air does not allow the statement
    ├── TooShort                   carries the estimate that it refuses to state
    ├── NotSteady
    └── OutOfRange

Noise on the wire is an event with a count, never an exception. A message says what happened, with value and
unit; where; and what to do.
"""

from __future__ import annotations

from enum import Enum
from pathlib import Path


class HoodtraceError(Exception):
    """Root of the tree; `exit_code` is what the command line ends with."""

    exit_code = 1


class UsageError(HoodtraceError):
    """The words of a command are off."""

    exit_code = 2


class LinkReason(Enum):
    """Why there is no way to the board."""

    NO_PORT = "no port"
    BUSY = "busy"
    NOT_ALLOWED = "not allowed"
    UNPLUGGED = "unplugged"
    SILENT = "silent"
    NOT_OURS = "not ours"
    OTHER_PROTOCOL = "other protocol"
    OTHER_FIRMWARE = "other firmware"


class LinkError(HoodtraceError):
    """No way to the board; `reason` says which kind, the text says where and what to do."""

    exit_code = 3

    def __init__(self, reason: LinkReason, text: str) -> None:
        super().__init__(text)
        self.reason = reason


class FileError(HoodtraceError):
    """A file cannot serve; the text starts with its path."""

    exit_code = 4

    def __init__(self, path: Path | str, text: str) -> None:
        super().__init__(f"{path}: {text}")
        self.path = Path(path)


class TraceError(FileError):
    """A trace file cannot serve; `offset` is the byte where that shows, None where it is the whole file."""

    def __init__(self, path: Path | str, text: str, offset: int | None = None) -> None:
        super().__init__(path, text if offset is None else f"byte {offset}: {text}")
        self.offset = offset


class HoodError(FileError):
    """A hood file cannot serve; `keys` are the paths of the keys at fault (``vane.k``), empty for the whole file."""

    def __init__(self, path: Path | str, text: str, keys: tuple[str, ...] = ()) -> None:
        super().__init__(path, text)
        self.keys = keys


class VisitError(FileError):
    """A plan, journal or visit folder cannot serve; `key` is the key or line at fault."""

    def __init__(self, path: Path | str, text: str, key: str | None = None) -> None:
        super().__init__(path, text)
        self.key = key


class MeasurementError(HoodtraceError):
    """The air does not allow the statement; `estimate_m3_s` is the flow it refuses to state, None if unknown."""

    exit_code = 5

    def __init__(self, text: str, estimate_m3_s: float | None = None) -> None:
        super().__init__(text)
        self.estimate_m3_s = estimate_m3_s


class TooShort(MeasurementError):  # noqa: N818
    """Too few correlation times for an honest interval."""


class NotSteady(MeasurementError):  # noqa: N818
    """The air does not hold one level."""


class OutOfRange(MeasurementError):  # noqa: N818
    """Too slow, too fast, or reversing."""
