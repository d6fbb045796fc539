"""Questions to a person on a terminal, or to whoever types for one through a pipe.

A comma is as good as a point in a number. What can't be meant is said and asked again; the end of the input, or Ctrl-C,
is `typer.Abort`, which the commands turn into "goes on later".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TypeVar

import typer

from hoodtrace.cli.printable import wrapped

_T = TypeVar("_T")


def text(question: str, default: str | None = None) -> str:
    """Ask for a text; Enter takes the default."""
    return str(typer.prompt(question, default=default, type=str)).strip()


def yes(question: str, default: bool = True) -> bool:
    """Ask for yes or no."""
    return bool(typer.confirm(question, default=default))


def wait(question: str) -> None:
    """Wait for Enter."""
    typer.prompt(question, default="", show_default=False)


def number(question: str, default: float | None = None, least: float = 0.0) -> float:
    """Ask for a number over `least`."""

    def read(typed: str) -> float:
        value = float(typed.replace(",", "."))
        if not least < value < float("inf"):
            raise ValueError(f"a number over {least:g} is wanted")
        return value

    return _asked(question, read, None if default is None else f"{default:.7g}")


def whole(question: str, default: int, least: int = 1, most: int = 100) -> int:
    """Ask for a whole number."""

    def read(typed: str) -> int:
        value = int(typed)
        if not least <= value <= most:
            raise ValueError(f"a whole number from {least} to {most} is wanted")
        return value

    return _asked(question, read, str(default))


def temperature(question: str, default: float | None = None) -> float:
    """Ask for a temperature, C."""
    return _asked(question, lambda typed: float(typed.replace(",", ".")), None if default is None else f"{default:.1f}")


def numbers(question: str, n: int | None = None) -> list[float]:
    """Ask for numbers over 0 with blanks between, `n` of them if given."""

    def read(typed: str) -> list[float]:
        values = [float(each.replace(",", ".")) for each in re.split(r"[;\s]+|,\s+", typed.strip(" ,;"))]
        if not values or (n is not None and len(values) != n) or not all(0.0 < value < 1e9 for value in values):
            raise ValueError(f"{'some' if n is None else n} numbers over 0 are wanted, with blanks between")
        return values

    return _asked(question, read, None)


def choice(question: str, options: Sequence[str], default: str | None = None) -> str:
    """Ask for one of the options; its first letters are enough where only one begins so."""

    def read(typed: str) -> str:
        meant = [option for option in options if option == typed] or [
            option for option in options if typed and option.startswith(typed.lower())
        ]
        if len(meant) != 1:
            raise ValueError(f"one of {', '.join(options)} is wanted")
        return meant[0]

    return _asked(f"{question} ({', '.join(options)})", read, default)


def _asked(question: str, read: Callable[[str], _T], default: str | None) -> _T:
    while True:
        typed = text(question, default)
        try:
            return read(typed)
        except (ValueError, OverflowError) as error:
            why = str(error) if "wanted" in str(error) else "that is no number"
            typer.echo(wrapped(f"{typed[:60]!r}: {why}. Once more", "  "))
