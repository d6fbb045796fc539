"""`hoodtrace review`: a visit's raw traces afterwards, on a page, or from the command line with the same changes."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from hoodtrace.cli.printable import printable, say
from hoodtrace.errors import FileError, UsageError

if TYPE_CHECKING:
    from hoodtrace.dwelling.review import Review

Row = dict[str, Any]
NONE = "none"


def review(
    visit: Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit.")],
    list_: Annotated[bool, typer.Option("--list", help="Only list the windows: found, and chosen by hand.")] = False,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="'ID CHANGE'",
            help="Change a window, as often as needed: '3.1 edges=12.5..40', cut=A..B, uncut=A..B, split=T, merge=ID, "
            "give=TERMINAL (or none), reject=REASON, restore, automatic, note=TEXT; 'TRACE new=A..B'. Seconds of the "
            "trace.",
        ),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take the newest change back.")] = False,
    redo: Annotated[bool, typer.Option("--redo", help="Make the change that was taken back last again.")] = False,
    why: Annotated[str | None, typer.Option(metavar="ID", help="What a reading's uncertainty is made of.")] = None,
    picture: Annotated[Path | None, typer.Option(help="With --why: draw the budget into this .svg file.")] = None,
    output: Annotated[Literal["table", "json"], typer.Option("--format", help="Print a table or json.")] = "table",
    page_port: Annotated[int, typer.Option(min=0, max=65535, help="Where the page is served.")] = 8138,
    language: Annotated[str | None, typer.Option(help="en, de...; without it that of your system.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the page's address, open nothing.")] = False,
) -> None:
    """Look at a visit's raw traces afterwards, correct what was found, and see what each change does."""
    from hoodtrace.dwelling.review import Review

    if sum([bool(set_), undo, redo]) > 1:
        raise UsageError("--set, --undo and --redo exclude each other; give one")
    if picture is not None and why is None:
        raise UsageError("--picture belongs to --why ID")
    if not (visit / "visit.toml").exists():
        raise UsageError(f"{visit}: there is no visit. `hoodtrace visit {visit} --hood HOOD.toml` makes one")
    opened = Review(visit)
    if not (set_ or undo or redo or list_ or why):
        from hoodtrace.pages.review_server import serve_review

        serve_review(opened, page_port, language, not no_browser, typer.echo)
        return
    opened.load()
    for problem in opened.problems():
        where, text = problem["where"], problem["text"]
        sys.stderr.write(f"note: {printable(text if where in text else f'{where}: {text}')}\n")
    done: list[Row] = []
    for said in set_ or []:
        done.append(_changed(opened, said, len(done)))
    if undo or redo:
        done.append(opened.undo(_now()) if undo else opened.redo(_now()))
    if done and output == "table":
        for each in done:
            _print_change(each)
    if why is not None:
        from hoodtrace.cli.why import print_why, write_pictures

        found = opened.why(why)
        print_why(found, output)
        for path in write_pictures(found, picture) if picture is not None else ():
            say(f"Picture: {path}")
    elif list_:
        _print_list(opened, output)
    elif output == "json":
        sys.stdout.write(_json({"changes": done}))


def _now() -> str:
    from hoodtrace.board.time_of_day import utc_text

    return utc_text()


def _json(found: Row) -> str:
    return json.dumps(found, allow_nan=False, ensure_ascii=False) + "\n"


def _changed(opened: Review, said: str, n_before: int) -> Row:
    """Make the change that a --set names; `n_before` were made before it."""
    made = f". Changes before it ({n_before}) were made" if n_before else ""
    try:
        return opened.change(change_of(said), _now())
    except UsageError as error:
        raise UsageError(f"--set {said!r}: {str(error).rstrip('.')}{made}") from error
    except FileError:
        if made:
            sys.stderr.write(f"note: --set {said!r} was not made{made}\n")
        raise


def change_of(said: str) -> Row:
    """Return the change that 'ID CHANGE' names.

    Examples
    --------
    >>> change_of("3.1 edges=12.5..40")
    {'do': 'edges', 'id': '3.1', 'start_s': 12.5, 'end_s': 40.0}
    >>> change_of("01 new=100..130")
    {'do': 'new', 'trace': '01', 'start_s': 100.0, 'end_s': 130.0}
    """
    name, _, rest = said.strip().partition(" ")
    do, has_value, value = rest.strip().partition("=")
    do, value = do.strip(), value.strip()
    kind = {
        "edges": _seconds, "cut": _seconds, "uncut": _seconds, "new": _seconds,
        "split": _second, "merge": _text, "give": _text, "reject": _text, "note": _text,
        "restore": None, "automatic": None,
    }  # fmt: skip
    if do not in kind or bool(kind[do]) != bool(has_value):
        known = ", ".join(name if read is None else f"{name}=..." for name, read in kind.items())
        raise UsageError(f"give 'ID CHANGE', such as '3.1 edges=12.5..40'; the changes are {known}")
    read = kind[do]
    fields = read(do, value) if read is not None else {}
    return {"do": do, "trace" if do == "new" else "id": name, **fields}


def _seconds(do: str, value: str) -> Row:
    from hoodtrace.cli.readings import span_of

    start, end = span_of(value, do)
    return {"start_s": start, "end_s": end}


def _second(do: str, value: str) -> Row:
    try:
        return {"at_s": float(value)}
    except ValueError:
        raise UsageError(f"{do}={value}: give a time in seconds") from None


def _text(do: str, value: str) -> Row:
    if do == "give":
        return {"terminal": None if value == NONE else value}
    return {{"merge": "with", "reject": "why", "note": "text"}[do]: value}


def _print_change(done: Row) -> None:
    """Print a change: each window before and after it."""
    before = {window["id"]: window for window in done["before"]}
    after = {window["id"]: window for window in done["after"]}
    for name in dict.fromkeys([*before, *after]):
        was, now = before.get(name), after.get(name)
        say(f"{name}: {_said(was)}  ->  {_said(now)}")
        # All else is as it was: what was written is the change.
        if was is not None and now is not None and was["notes"] != now["notes"]:
            say("; ".join(f"note: {note}" for note in now["notes"]) or "no note", "      ")


def _said(window: Row | None) -> str:
    """Return what comes of a window, in words."""
    if window is None:
        return "none"
    ends = f"{window['start_s']:.1f} to {window['end_s']:.1f} s"
    given = f"for {window['terminal']}" if window["terminal"] else "for no terminal"
    return ", ".join(part for part in (ends, _flow(window), given, window["verdict"]) if part)


def _flow(window: Row) -> str:
    if window["state"] in ("rejected", "refused"):
        return f"{window['state']} ({window['why']})"
    if window["flow_m3h"] is None:
        return "no reading"
    return f"{window['flow_m3h']:.1f} ± {window['expanded_m3h']:.1f} m3/h"


def _print_list(opened: Review, output: str) -> None:
    state = opened.state()
    if output == "json":
        kept = ("version", "site", "problems", "terminals", "windows", "undo", "redo")
        sys.stdout.write(_json({key: state[key] for key in kept}))
        return
    shown = [w for w in state["windows"] if w["by"] == "person" or w["state"] != "refused" or w["terminal"]]
    widest = max([len("window"), *(len(w["id"]) for w in shown)])
    typer.echo(f"{'window':<{widest}}  from s    to s  terminal  flow m3/h  ±95 %  verdict")
    for w in shown:
        flow, expanded = _number(w["flow_m3h"]), _number(w["expanded_m3h"])
        if w["state"] != "reading":
            flow, expanded = "-", "-"
        ends = f"{w['start_s']:7.1f} {w['end_s']:7.1f}"
        name, terminal = printable(w["id"]), printable(w["terminal"] or "-")
        typer.echo(f"{name:<{widest}} {ends}  {terminal:<8}  {flow:>9}  {expanded:>5}  {w['verdict'] or ''}".rstrip())
        if remarks := _remarks(w):
            say("; ".join(remarks), "      ")
    n = len(state["windows"]) - len(shown)
    if n:
        those = "1 stretch that gave no reading and has" if n == 1 else f"{n} stretches that gave no reading and have"
        say(f"And {those} no terminal: --format json names {'it' if n == 1 else 'them'}.")
    if state["undo"] is not None:
        say(f"--undo takes back: {state['undo']['do']} of {', '.join(state['undo']['ids'])}")


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"


def _remarks(window: Row) -> list[str]:
    remarks = []
    if window["by"] == "person":
        beside = window["automatic"]
        remarks.append(f"chosen by hand (automatic: {'none' if beside is None else _said(beside)})")
    if window["state"] in ("rejected", "refused", "taken back"):
        remarks.append(f"{window['state']}: {window['why']}" if window["why"] else window["state"])
    remarks += [f"note: {note}" for note in window["notes"]] + window["flags"]
    return remarks + [f"{cut['why']} cut out at {cut['start_s']:.0f} s" for cut in window["cuts"]]
