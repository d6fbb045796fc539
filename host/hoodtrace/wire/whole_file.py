"""Files that are there whole or not at all."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Put `content` on the disk at `path`; what was there stays whole until then, and where it fails (OSError)."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise
