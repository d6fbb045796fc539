"""Puts the firmware on a board and sees that it runs.

A board with our firmware is asked to restart into its prompt (`maintain`: no watchdog there); any other MicroPython is
interrupted. Files whose SHA-256 on the board is right stay. main.py, which starts the rest, is taken away first and
put there last, so that a board that was unplugged in the middle waits at its prompt and the next install finishes the
work. `manifest.json` on the board lists what an install put there: only that is ever removed. Settings, logs and notes
are not touched.
"""

from __future__ import annotations

import ast
import hashlib
import json
import time
from collections.abc import Callable
from dataclasses import dataclass

from hoodtrace.board.build import build_of, firmware_files, firmware_version
from hoodtrace.board.link import find_board, open_board, ports
from hoodtrace.board.prompt import Prompt
from hoodtrace.errors import LinkError, LinkReason

OLDEST = (1, 26, 1)
"""The first MicroPython with the rewritten USB output loop (commit 69408453a2 of micropython/micropython; seen)."""
FAMILIES = ("rp2", "esp32")
COMPUTERS = ("linux", "darwin")
"""MicroPython for computers, which stands for a board in tests."""
MAIN, MANIFEST, MAINTAIN = "main.py", "manifest.json", "maintain"
SPARE_BYTES = 16 * 1024
ANSWERS_S = 3.0
RESTARTS_S = 20.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What an install has to do: names to copy, names to remove, and what to tell beforehand."""

    copy: tuple[str, ...]
    remove: tuple[str, ...]
    remarks: tuple[str, ...]


def find_port(port: str | None) -> tuple[str, bool]:
    """Return the port to install on, and whether our firmware answers there (it is then on its way to the prompt).

    Raises
    ------
    LinkError
        NO_PORT, BUSY, NOT_ALLOWED; NOT_OURS: several ports could be it, so one must be named.
    """
    try:
        board = open_board(port, ANSWERS_S) if port is not None else find_board()
    except LinkError as error:
        if error.reason in (LinkReason.BUSY, LinkReason.NOT_ALLOWED, LinkReason.NO_PORT):
            raise
        candidates = [port] if port is not None else [p.device for p in ports() if p.is_usb]
        if len(candidates) != 1:
            text = f"no board of ours answers, and any of {', '.join(candidates)} could be it: name one with --port"
            raise LinkError(LinkReason.NOT_OURS, text) from error
        return candidates[0], False
    try:
        board.link.send("maintain")
        board.link.read(1.0)  # until it is on its way
    finally:
        board.link.close()
    return board.link.port, True


def plan(prompt: Prompt, files: dict[str, bytes]) -> Plan:
    """Compare the board with `files`.

    Raises
    ------
    LinkError
        NOT_OURS: no MicroPython that can run them, or no room.
    """
    _check_micropython(prompt)
    there = prompt.names()
    copy = [n for n in files if n not in there or prompt.sha256(n) != hashlib.sha256(files[n]).digest()]
    before = _manifest(prompt) if MANIFEST in there else {}
    remove = sorted((set(before) - set(files)) & there)
    remove += sorted(name for name in there if name.endswith(".new") and name.removesuffix(".new") in files)
    remarks = []
    if "boot.py" in there:
        remarks.append("the board has a boot.py, which is not ours and runs first: if it fails, nothing starts")
    _check_room(prompt, sum(len(files[name]) for name in copy))
    return Plan(tuple(copy), tuple(remove), tuple(remarks))


def carry_out(prompt: Prompt, files: dict[str, bytes], todo: Plan, say: Callable[[str], None]) -> None:
    """Do it; `say` is told each file.

    Raises
    ------
    LinkError
        UNPLUGGED and others of `Prompt`; NOT_OURS: a file came out different on the board.
    """
    if MAINTAIN in prompt.names():
        prompt.remove(MAINTAIN)  # the firmware was interrupted before it could obey: once is enough
    if todo.copy or todo.remove:
        # From here to the end the board does not start by itself.
        if MAIN in prompt.names():
            prompt.remove(MAIN)
        for name in todo.remove:
            say(f"remove {name}")
            if name != MAIN:
                prompt.remove(name)
        for name in sorted(set(todo.copy) - {MAIN}):
            say(f"copy   {name}")
            _put(prompt, name, files[name])
        hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
        _put(prompt, MANIFEST, json.dumps(hashes, indent=0, sort_keys=True).encode())
        say(f"copy   {MAIN}")
        _put(prompt, MAIN, files[MAIN])


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
        except LinkError:
            if time.monotonic() >= end_s:
                raise
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


def install(port: str | None, dry_run: bool, say: Callable[[str], None]) -> None:
    """Install this program's firmware on the board at `port` (None: found), and wait until it runs.

    Raises
    ------
    LinkError
        See the parts above.
    """
    files = firmware_files()
    device, was_ours = find_port(port)
    say(f"board on {device}: " + ("our firmware, asked for its prompt" if was_ours else "looking for a prompt"))
    with Prompt(device, RESTARTS_S) as prompt:
        todo = plan(prompt, files)
        for remark in todo.remarks:
            say(f"note: {remark}")
        if dry_run:
            for verb, names in (("would copy  ", todo.copy), ("would remove", todo.remove)):
                for name in names:
                    say(f"{verb} {name}")
        else:
            carry_out(prompt, files, todo, say)
        prompt.restart()
    if dry_run:
        say("nothing was changed; the board starts again")
        return
    device = wait_for_hello(device)
    done = "installed" if todo.copy or todo.remove else "up to date, nothing to do"
    say(f"{done}: firmware {firmware_version()}, build {build_of(files)}, runs on {device}")


def _check_micropython(prompt: Prompt) -> None:
    told = prompt.run("import sys\ni = sys.implementation\nprint((sys.platform, tuple(i.version[:3]), i.name))")
    try:
        platform, version, name = ast.literal_eval(told)
    except (ValueError, SyntaxError) as error:
        raise LinkError(LinkReason.NOT_OURS, f"{prompt.port}: no MicroPython answers there ({told!r})") from error
    shown = ".".join(str(part) for part in version)
    if name != "micropython" or platform not in (*FAMILIES, *COMPUTERS):
        text = f"{prompt.port}: {name} {shown} for {platform} is not MicroPython for RP2040, RP2350 or ESP32"
        raise LinkError(LinkReason.NOT_OURS, f"{text}: see wiring/README.md, Flashing MicroPython")
    if version < OLDEST:
        oldest = ".".join(str(part) for part in OLDEST)
        text = f"{prompt.port}: MicroPython {shown} is older than {oldest}: its USB output can hang"
        raise LinkError(LinkReason.NOT_OURS, f"{text}: put a newer one on the board, see wiring/README.md")


def _check_room(prompt: Prompt, wanted: int) -> None:
    free = int(prompt.run("import os\ns = os.statvfs(os.getcwd())\nprint(s[0] * s[3])"))
    if free < wanted + SPARE_BYTES:
        text = f"{prompt.port}: {free} bytes are free on the board and {wanted + SPARE_BYTES} are needed"
        raise LinkError(LinkReason.NOT_OURS, f"{text}: fetch its logs (`hoodtrace fetch`) or remove files of your own")


def _manifest(prompt: Prompt) -> dict[str, str]:
    try:
        found = json.loads(prompt.read(MANIFEST))
    except ValueError:
        return {}  # cut or not ours: then nothing is known to be ours
    return found if isinstance(found, dict) else {}


def _put(prompt: Prompt, name: str, data: bytes) -> None:
    new = f"{name}.new"
    prompt.write(new, data)
    if prompt.sha256(new) != hashlib.sha256(data).digest():
        raise LinkError(
            LinkReason.NOT_OURS, f"{prompt.port}: {name} came out different on the board: run `hoodtrace install` again"
        )
    prompt.rename(new, name)
