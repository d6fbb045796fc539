"""Where the board's own files are: `firmware_mpy` beside `host` in a checkout, inside the package once installed."""

from __future__ import annotations

from pathlib import Path

import hoodtrace
from hoodtrace.errors import FileError


def firmware_folder() -> Path:
    """Folder with the firmware's MicroPython files, as they go onto a board.

    Returns
    -------
    Path
        Holds ``main.py``, ``app.py``, ``package.json`` and the others.

    Raises
    ------
    FileError
        If this installation came without them.

    Examples
    --------
    >>> (firmware_folder() / "main.py").is_file()
    True
    """
    package = Path(hoodtrace.__file__).parent
    places = [package / "firmware_mpy", package.parents[1] / "firmware_mpy"]
    for place in places:
        if (place / "main.py").is_file():
            return place
    raise FileError(places[0], "the board's files are missing; install hoodtrace again")


def fake_folder() -> Path:
    """Folder with the machine layer that stands for a board's hardware.

    Returns
    -------
    Path
        Holds ``machine.py``, ``time.py``, ``select.py`` and the world behind them.
    """
    return Path(__file__).parent / "fake_mpy"
