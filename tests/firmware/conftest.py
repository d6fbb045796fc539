"""The real MicroPython, where it must be there."""

import os
import platform
import sys

import pytest

from hoodtrace.board.virtual import micropython_version

collect_ignore = ["on_board"]  # runs inside MicroPython


@pytest.fixture(scope="session")
def micropython() -> str:
    version = micropython_version()
    if version is None:
        if os.environ.get("CI") == "true" and (sys.platform, platform.machine()) == ("linux", "x86_64"):
            pytest.fail("the MicroPython wheel is missing")
        pytest.skip("no MicroPython for this machine")
    return version


@pytest.fixture(params=["MicroPython", "CPython shim"])
def runs_micropython(request: pytest.FixtureRequest) -> bool:
    """The firmware's behaviour is tested under both runtimes."""
    if request.param == "MicroPython":
        request.getfixturevalue("micropython")
        return True
    return False
