"""What a prompt prints is taken as it should be, or refused: mpremote's own reading, fed with any text."""

from __future__ import annotations

import ast
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from mpremote.transport import Transport

from hoodtrace.board.install import _check_micropython, _check_room
from hoodtrace.board.prompt import Prompt
from hoodtrace.errors import LinkError


class Printing(Transport):  # type: ignore[misc]
    """A prompt that prints the same whatever it is asked."""

    def __init__(self, printed: str) -> None:
        self.printed = printed.encode()

    def exec(self, command: str, data_consumer: Callable[[bytes], None] | None = None) -> bytes:
        if data_consumer is not None:
            data_consumer(self.printed)
        return self.printed

    def eval(self, expression: str) -> Any:
        return ast.literal_eval(self.printed.decode())


def prompt(printed: str) -> Prompt:
    made = Prompt.__new__(Prompt)
    made.port, made._transport = "/dev/x", Printing(printed)
    return made


ASK: list[Callable[[Prompt], object]] = [
    lambda p: p.sizes(),
    lambda p: p.sha256("a.py"),
    _check_micropython,
    lambda p: _check_room(p, {"a.py": b"1"}, ("a.py",), {}),
]
LITERALS = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**30), 10**30) | st.floats() | st.text("ab") | st.binary(max_size=3),
    lambda inner: st.lists(inner, max_size=4) | st.lists(inner, max_size=4).map(tuple),
    max_leaves=8,
)


@pytest.mark.parametrize("ask", ASK)
@given(printed=LITERALS.map(repr) | LITERALS.map(lambda v: f"{v!r},{v!r},") | st.text(max_size=20))
@example(printed="(0, 5)")  # blocks of no bytes
@example(printed="(True, False)")
@example(printed="999999999999")  # as a count of zero bytes
@example(printed="('micropython', 'rp2', ('1', 26, 1))")
@example(printed="('micropython', 'rp2', 1)")
@example(printed="('name', 'size', 0, None),")
@example(printed="(3, 32768, 0, 7),")
@example(printed="[" * 3000)
@example(printed="{[]: 1}")
def test_whatever_it_prints_only_our_own_error_comes(ask: Callable[[Prompt], object], printed: str) -> None:
    told = "/dev/x"
    try:
        ask(prompt(printed))
    except LinkError as error:
        told = str(error)
    assert "/dev/x" in told
    assert len(told) < 5000


def test_what_it_should_print() -> None:
    # As MicroPython's ilistdir gives it: name, type (0x8000 a file, 0x4000 a folder), inode, size.
    assert prompt("('a.py', 32768, 0, 12),('log', 16384, 0, 0),").sizes() == {"a.py": 12}
    assert prompt(repr(bytes(range(32)))).sha256("a.py") == bytes(range(32))
    _check_micropython(prompt("('micropython', 'rp2', (1, 26, 1))"))
    _check_room(prompt("(4096, 100)"), {"a.py": b"1"}, ("a.py",), {})
    with pytest.raises(LinkError, match="4 KiB are free"):
        _check_room(prompt("(4096, 1)"), {"a.py": b"1"}, ("a.py",), {})
