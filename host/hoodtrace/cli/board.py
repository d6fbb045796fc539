"""`hoodtrace board`: who the board is and how it does; its self-test, its cues and its settings.

Standard output gets the screen, or with `--format json` one object; what goes on meanwhile goes to standard error.
Faults on the screen are no error (0); a board that can't be reached is 3; what the board refuses is 2; a self-test
that is not as expected is 5, as a measurement with this board would be. Works with any firmware of our protocol.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from hoodtrace.cli.printable import printable
from hoodtrace.errors import FileError, UsageError

if TYPE_CHECKING:
    from hoodtrace.board.talk import Talk

LONGEST_COMMAND = 60
"""Characters of a setting and its value; the board takes lines of up to 96."""


def board(
    port: Annotated[
        str | None, typer.Option(help="Device or URL (socket://host:port); without it the board is looked for.")
    ] = None,
    output: Annotated[
        Literal["table", "json"], typer.Option("--format", help="How to print: table or json.")
    ] = "table",
    test: Annotated[bool, typer.Option("--test", help="The guided self-test.")] = False,
    only: Annotated[list[str] | None, typer.Option(help="With --test: this step only; may be repeated.")] = None,
    cue: Annotated[str | None, typer.Option(help="Play this cue.")] = None,
    settings: Annotated[bool, typer.Option("--settings", help="List the settings.")] = False,
    change: Annotated[
        list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="Change a setting; may be repeated.")
    ] = None,
    restart: Annotated[bool, typer.Option("--restart", help="Restart the board.")] = False,
    forget_crash: Annotated[bool, typer.Option("--forget-crash", help="Clear the note of the last crash.")] = False,
) -> None:
    """Show the board and its faults; test it; set it."""
    wanted = {
        "--test": test,
        "--cue": cue is not None,
        "--settings": settings,
        "--set": bool(change),
        "--restart": restart,
        "--forget-crash": forget_crash,
    }
    given = [name for name, is_given in wanted.items() if is_given]
    if len(given) > 1:
        raise UsageError(f"{' and '.join(given)} exclude each other: give one at a time")
    if only and not test:
        raise UsageError("--only picks steps of the self-test: give it together with --test")
    # All that can be wrong with the words is found before the board is looked for.
    steps = _steps(only)
    changes = [_change(each) for each in change or ()]
    if cue is not None:
        _check_cue(cue)

    from hoodtrace.board.link import find_board, open_board
    from hoodtrace.board.talk import Talk

    as_json = output == "json"
    talk = Talk(open_board(port) if port is not None else find_board())
    try:
        if test:
            from hoodtrace.cli.board_guide import run_test

            run_test(talk, steps, as_json)
        elif cue is not None:
            _do(talk, f"cue {cue}", f"playing {cue}: {_cues()[cue]}", as_json)
        elif settings:
            _show_settings(talk, as_json)
        elif changes:
            talk = _set(talk, changes, as_json)
        elif restart:
            talk = talk.restarted()
            boot = talk.hello.get("boot")
            _tell(f"{talk.port}: restarted, boot id {boot}", {"boot": boot}, as_json)
        elif forget_crash:
            _do(talk, "crash forget", "the crash note is cleared", as_json)
        else:
            _show(talk, as_json)
    finally:
        talk.close()


def shipped_build() -> str | None:
    """Return the build of the firmware that this program brings, None where its files are not there."""
    from hoodtrace.board.build import build_of, firmware_files

    try:
        return build_of(firmware_files())
    except FileError:
        return None


def _show(talk: Talk, as_json: bool) -> None:
    from hoodtrace.board.identity import ask_about, faults
    from hoodtrace.cli.board_words import print_about

    about, shipped = ask_about(talk), shipped_build()
    print_about(about, shipped, faults(about, shipped), as_json)


def _show_settings(talk: Talk, as_json: bool) -> None:
    from hoodtrace.board.identity import ask_settings
    from hoodtrace.board.talk import older
    from hoodtrace.cli.board_words import print_settings

    found = ask_settings(talk)
    if not found:
        raise older(talk, "settings")
    print_settings(found, as_json)


def _set(talk: Talk, changes: Sequence[tuple[str, str]], as_json: bool) -> Talk:
    """Send each change, restart the board, and show what is different; return the new conversation."""
    from hoodtrace.board.identity import ask_about, ask_settings, order, refused_fault
    from hoodtrace.board.talk import older
    from hoodtrace.cli.board_words import shown, write_json

    before = {setting.name: setting.value for setting in ask_settings(talk)}
    if not before:
        raise older(talk, "settings")
    taken: list[str] = []
    for name, value in changes:
        try:
            order(talk, f"set {name} {value}")
        except UsageError as error:
            done = f"; taken already, from the next start on: {', '.join(taken)}" if taken else ""
            raise UsageError(f"{error}{done}. `hoodtrace board --settings` lists names and values") from error
        taken.append(f"{name}={value}")
    talk = talk.restarted()
    after = {setting.name: setting.value for setting in ask_settings(talk)}
    state = ask_about(talk).state
    refused = list(state.refused) if state is not None else []
    changed = {name: (before.get(name), value) for name, value in after.items() if value != before.get(name)}
    if as_json:
        rows = [{"name": name, "before": was, "after": now} for name, (was, now) in changed.items()]
        write_json({"changed": rows, "refused": refused, "boot": talk.hello.get("boot")})
        return talk
    told = [f"the board was restarted, boot id {talk.hello.get('boot')}"]
    told += [f"{name}: {shown(was)} -> {shown(now)}" for name, (was, now) in changed.items()]
    same = dict.fromkeys(name for name, _ in changes if name not in changed)
    told += [f"{name}: {shown(after.get(name))}, as before" for name in same]
    for fault in map(refused_fault, refused):
        told.append(f"FAULT: {fault.what}\n       what to do: {fault.do}")
    print(printable("\n".join(told)))
    return talk


def _do(talk: Talk, words: str, told: str, as_json: bool) -> None:
    from hoodtrace.board.identity import order

    order(talk, words)
    _tell(told, {"done": words}, as_json)


def _tell(told: str, fields: dict[str, object], as_json: bool) -> None:
    from hoodtrace.cli.board_words import write_json

    if as_json:
        write_json(fields)
    else:
        print(printable(told))


def _change(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals or not name or not value:
        raise UsageError(f"--set {text!r}: give NAME=VALUE, such as --set rate_hz=50")
    words = f"{name} {value}"
    if len(words) > LONGEST_COMMAND or not all("!" <= c <= "~" for c in name + value):
        raise UsageError(
            f"--set {text!r}: names and values are up to {LONGEST_COMMAND} plain letters, digits and signs, no blanks"
        )
    return name, value


def _cues() -> dict[str, str]:
    from hoodtrace.board.cues import CUES

    return dict(CUES)


def _check_cue(cue: str) -> None:
    cues = _cues()
    if cue not in cues:
        raise UsageError(f"--cue {cue!r}: there is no such cue; there are {', '.join(cues)}")


def _steps(only: Sequence[str] | None) -> list[str]:
    if not only:
        return []
    from hoodtrace.board.self_test_steps import STEPS

    names = [step.name for step in STEPS]
    for name in only:
        if name not in names:
            raise UsageError(f"--only {name!r}: there is no such step; there are {', '.join(names)}")
    return [name for name in names if name in only]
