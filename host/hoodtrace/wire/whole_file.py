"""Files that are there whole or not at all."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Put `content` on the disk at `path`; what was there stays whole until then, and where it fails (OSError).

    Of a link at `path`, or where the half-written file goes, only the link goes: nothing is written through it.
    """
    part = path.with_name(path.name + ".part")
    try:
        part.unlink(missing_ok=True)
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise
