"""Puts the firmware on a board and sees that it runs.

A board with our firmware is asked to restart into its prompt (`maintain`: no watchdog there); any other MicroPython is
interrupted. Files whose SHA-256 on the board is right stay. main.py, which starts the rest, is taken away first and
put there last, so that a board that was unplugged in the middle waits at its prompt and the next install finishes the
work. `manifest.json` on the board lists what installs put there: only that is ever removed, and a file of that name
that is none of theirs is replaced only where it is asked for. Settings, logs and notes are not touched.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from hoodtrace.board.build import build_of, firmware_files, firmware_version
from hoodtrace.board.link import Board, find_board, open_board, ports
from hoodtrace.board.prompt import Prompt
from hoodtrace.errors import LinkError, LinkReason, UsageError
from hoodtrace.wire.decoder import Decoder

OLDEST = (1, 26, 1)
VIRTUAL = "virtual board"  # how those begin to say what they are
"""The first MicroPython with the rewritten USB output loop (commit 69408453a2 of micropython/micropython; seen)."""
FAMILIES = ("rp2", "esp32")
COMPUTERS = ("linux", "darwin")
"""MicroPython for computers, which stands for a board in tests."""
MAIN, MANIFEST, MAINTAIN = "main.py", "manifest.json", "maintain"
LARGEST = 1 << 40  # bytes of a block, blocks of a flash: more is no answer
SPARE_BLOCKS = 4  # for the manifest, its new version, and what the file system needs itself
ANSWERS_S = 3.0
TO_PROMPT_S = 6.0
RESTARTS_S = 20.0

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\.py")
_SHA256 = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Plan:
    """What an install has to do: names to copy in this order, names to remove, and remarks to tell beforehand.

    `listed` is what earlier installs put on the board (name to SHA-256 as hex digits), `foreign` the names among
    `copy` and the manifest's that are on the board without being listed there.
    """

    copy: tuple[str, ...]
    remove: tuple[str, ...]
    remarks: tuple[str, ...]
    foreign: tuple[str, ...]
    listed: Mapping[str, str]


def find_port(port: str | None) -> tuple[str, bool]:
    """Return the port to install on, and whether our firmware answered there (it is then on its way to the prompt).

    Raises
    ------
    LinkError
        NO_PORT, BUSY, NOT_ALLOWED, UNPLUGGED; NOT_OURS: several ports could be it, so one must be named.
    """
    try:
        board = open_board(port, ANSWERS_S) if port is not None else find_board()
    except LinkError as error:
        if error.reason in (LinkReason.BUSY, LinkReason.NOT_ALLOWED, LinkReason.NO_PORT, LinkReason.UNPLUGGED):
            raise
        candidates = [port] if port is not None else [p.device for p in ports() if p.is_usb]
        if len(candidates) != 1:
            text = f"no board of ours answers, and any of {', '.join(candidates)} could be it: name one with --port"
            raise LinkError(LinkReason.NOT_OURS, text) from error
        return candidates[0], error.reason is LinkReason.OTHER_PROTOCOL
    try:
        if str(board.hello.get("board", "")).startswith(VIRTUAL):
            text = f"{board.link.port}: this is a virtual board; it has this program's firmware already"
            raise LinkError(LinkReason.NOT_OURS, text)
        _to_prompt(board)
    finally:
        board.link.close()
    return board.link.port, True


def fit(name: str, platform: str, version: tuple[int, int, int]) -> str | None:
    """Return why this Python on a board can't run the firmware, None where it can.

    Examples
    --------
    >>> fit("micropython", "rp2", (1, 26, 1))
    >>> fit("micropython", "rp2", (1, 26, 0))
    'MicroPython 1.26.0 is older than 1.26.1: its USB output can hang'
    """
    shown, oldest = (".".join(str(part) for part in each) for each in (version, OLDEST))
    if name != "micropython" or platform not in (*FAMILIES, *COMPUTERS):
        return f"{name} {shown} for {platform} is not MicroPython for RP2040, RP2350 or ESP32"
    if version < OLDEST:
        return f"MicroPython {shown} is older than {oldest}: its USB output can hang"
    return None


def n_blocks_needed(files: Mapping[str, bytes], copy: tuple[str, ...], sizes: Mapping[str, int], block: int) -> int:
    """Return how many blocks of the board's flash an install needs at most at one time beyond those that are used.

    Each file lies there twice for a moment.

    Examples
    --------
    >>> n_blocks_needed({"a.py": bytes(5000), "b.py": bytes(10)}, ("a.py", "b.py"), {"a.py": 4096}, 4096)
    8
    """
    whole = {name: -(-len(files[name]) // block) for name in copy}
    grown = sum(max(0, n - -(-sizes.get(name, 0) // block)) for name, n in whole.items())
    return grown + max(whole.values(), default=0) + SPARE_BLOCKS


def plan(prompt: Prompt, files: Mapping[str, bytes]) -> Plan:
    """Compare the board with `files`.

    Raises
    ------
    LinkError
        NOT_OURS: no MicroPython that can run them, or no room.
    """
    _check_micropython(prompt)
    there = prompt.sizes()
    listed = _listed(prompt) if MANIFEST in there else {}
    copy = [n for n in files if n not in there or prompt.sha256(n) != hashlib.sha256(files[n]).digest()]
    foreign = [name for name in copy if name in there and name not in (listed or {})]
    if listed is None:
        foreign.append(MANIFEST)
        listed = {}
    remove = sorted((set(listed) - set(files)) & set(there))
    half = {f"{name}.new" for name in (*files, *listed, MANIFEST)}
    remove += sorted(half & set(there))
    if copy or remove:  # main.py goes first and comes last
        copy = [*(name for name in copy if name != MAIN), MAIN]
    remarks = []
    if "boot.py" in there:
        remarks.append("the board has a boot.py, which is not ours and runs first: if it fails, nothing starts")
    _check_room(prompt, files, tuple(copy), there)
    return Plan(tuple(copy), tuple(remove), tuple(remarks), tuple(foreign), listed)


def carry_out(prompt: Prompt, files: Mapping[str, bytes], todo: Plan, say: Callable[[str], None]) -> None:
    """Do it; `say` is told each file.

    Raises
    ------
    LinkError
        UNPLUGGED and others of `Prompt`; NOT_OURS: a file came out different on the board.
    """
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    listed = dict(todo.listed)
    if todo.copy or todo.remove:
        if listed | hashes != listed:  # so that what an install that broke off has put there is known, too
            listed |= hashes
            _put(prompt, MANIFEST, _manifest(listed))
        # From here to the end the board does not start by itself.
        if MAIN in prompt.sizes():
            prompt.remove(MAIN)
        for name in todo.remove:
            if name in prompt.sizes():
                say(f"remove {name}")
                prompt.remove(name)
        for name in todo.copy[:-1]:
            say(f"copy   {name}")
            _put(prompt, name, files[name])
    if listed != hashes:
        _put(prompt, MANIFEST, _manifest(hashes))
    for name in todo.copy[-1:]:
        say(f"copy   {name}")
        _put(prompt, name, files[name])


def wait_for_hello(port: str, wait_s: float = RESTARTS_S) -> str:
    """Wait until the board that restarted says hello with the right build; return the port it is behind now.

    Raises
    ------
    LinkError
        OTHER_FIRMWARE, or why nothing answers.
    """
    end_s = time.monotonic() + wait_s
    while True:
        try:
            try:
                board = open_board(port, ANSWERS_S)
            except LinkError as error:
                if error.reason is not LinkReason.NO_PORT:
                    raise
                board = find_board()  # it may have come back under another name
        except LinkError as error:
            if time.monotonic() >= end_s:
                text = f"the files are on the board, but its firmware does not say hello within {wait_s:g} s: {error}"
                raise LinkError(error.reason, text) from error
            time.sleep(0.3)
            continue
        board.link.close()
        build, ours = board.hello.get("build"), build_of(firmware_files())
        if build != ours:
            raise LinkError(
                LinkReason.OTHER_FIRMWARE,
                f"{board.link.port}: the files are on the board, but it runs build {build} and not {ours}: "
                "something else on it starts first; run `hoodtrace board` to see what",
            )
        return board.link.port


def install(port: str | None, dry_run: bool, replace: bool, say: Callable[[str], None]) -> None:
    """Install this program's firmware on the board at `port` (None: found), and wait until it runs.

    Parameters
    ----------
    port : str or None
        Device.
    dry_run : bool
        Only say what would be done.
    replace : bool
        Take the place of files that no install put there, also on a board where our firmware does not answer.
    say : callable
        Is told each step.

    Raises
    ------
    LinkError
        See the parts above.
    UsageError
        There are such files and `replace` is false.
    """
    files = firmware_files()
    device, was_ours = find_port(port)
    say(f"board on {device}: " + ("our firmware answers, going to its prompt" if was_ours else "looking for a prompt"))
    with Prompt(device, RESTARTS_S) as prompt:
        try:
            if prompt.sizes().get(MAINTAIN) == 0:
                prompt.remove(MAINTAIN)  # the firmware was interrupted before it could obey: once is enough
            todo = plan(prompt, files)
            if todo.foreign and not (was_ours or replace or dry_run):
                raise UsageError(
                    f"{device}: no install put these files on the board, and they would be lost: "
                    f"{', '.join(todo.foreign)}. Copy them to a place of yours, then run this again with --replace"
                )
        except (LinkError, UsageError):
            with contextlib.suppress(LinkError):
                prompt.restart()  # nothing was changed: what ran there runs on
            raise
        for remark in todo.remarks:
            say(f"note: {remark}")
        if dry_run:
            _say_plan(todo, say)
        else:
            carry_out(prompt, files, todo, say)
        prompt.restart()
    if dry_run:
        say("nothing was changed; the board starts again")
        return
    device = wait_for_hello(device)
    done = "installed" if todo.copy or todo.remove else "up to date, nothing to do"
    say(f"{done}: firmware {firmware_version()}, build {build_of(files)}, runs on {device}")


def _to_prompt(board: Board) -> None:
    """Have the firmware restart into its prompt, and wait until that shows: a Ctrl-C before would leave a watchdog on.

    A firmware too old to know the word is interrupted like any other program.
    """
    link, decoder, heard = board.link, Decoder(), b""
    seq = link.send("maintain")
    end_s = time.monotonic() + TO_PROMPT_S
    with contextlib.suppress(LinkError):  # a port that goes away is a board that restarts
        while time.monotonic() < end_s and b">>>" not in heard:
            block = link.read(0.1)
            heard = heard[-8:] + block
            for message in decoder.feed(block).messages:
                if message.kind == "J" and message.body.get("to") == seq and message.body.get("ok") is not True:
                    return


def _say_plan(todo: Plan, say: Callable[[str], None]) -> None:
    for verb, names in (("would copy  ", todo.copy), ("would remove", todo.remove)):
        for name in names:
            foreign = ", in place of one that no install put there" if name in todo.foreign else ""
            say(f"{verb} {name}{foreign}")


def _check_micropython(prompt: Prompt) -> None:
    told = prompt.told(
        "import sys\nprint((sys.implementation.name, sys.platform, tuple(sys.implementation.version[:3])))"
    )
    match told:
        case (str(name), str(platform), (int(major), int(minor), int(patch))):
            why = fit(name, platform, (major, minor, patch))
        case _:
            raise _odd(prompt, "which MicroPython it is", told)
    if why:
        raise LinkError(LinkReason.NOT_OURS, f"{prompt.port}: {why}: flash MicroPython first, see wiring/README.md")


def _check_room(prompt: Prompt, files: Mapping[str, bytes], copy: tuple[str, ...], sizes: Mapping[str, int]) -> None:
    told = prompt.told("import os\ns = os.statvfs(os.getcwd())\nprint((s[0], s[3]))")
    match told:
        case (int(block), int(n_free)) if 0 < block <= LARGEST and 0 <= n_free <= LARGEST:
            pass
        case _:
            raise _odd(prompt, "how much room it has", told)
    needed = n_blocks_needed(files, copy, sizes, block)
    if copy and n_free < needed:
        free_kib, needed_kib = n_free * block / 1024, needed * block / 1024
        text = f"{prompt.port}: {free_kib:g} KiB are free on the board and {needed_kib:g} are needed"
        raise LinkError(LinkReason.NOT_OURS, f"{text}: fetch its logs (`hoodtrace fetch`) or remove files of your own")


def _odd(prompt: Prompt, what: str, told: object) -> LinkError:
    text = f"{prompt.port}: asked {what}, the board says {repr(told)[:60]}: unplug it, plug it in and try again; if it "
    return LinkError(LinkReason.NOT_OURS, text + "stays, flash MicroPython anew, see wiring/README.md")


def _listed(prompt: Prompt) -> dict[str, str] | None:
    """Return what the board's manifest lists; None where the file is not one that an install wrote."""
    try:
        found = json.loads(prompt.read(MANIFEST))
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict):
        return None
    good = all(_NAME.fullmatch(name) and isinstance(sha, str) and _SHA256.fullmatch(sha) for name, sha in found.items())
    return found if good else None


def _manifest(hashes: Mapping[str, str]) -> bytes:
    return json.dumps(hashes, indent=0, sort_keys=True).encode()


def _put(prompt: Prompt, name: str, data: bytes) -> None:
    new = f"{name}.new"
    prompt.write(new, data)
    if prompt.sha256(new) != hashlib.sha256(data).digest():
        raise LinkError(
            LinkReason.NOT_OURS, f"{prompt.port}: {name} came out different on the board: run `hoodtrace install` again"
        )
    prompt.rename(new, name)
