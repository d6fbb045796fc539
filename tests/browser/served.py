"""A visit that the real command serves, and pages in browsers that look at it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from hoodtrace.dwelling.visit import Visit

COMMAND = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()"]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
T = TypeVar("T")
UTC = "2030-01-01T09:00:00+00:00"
SIZES = {"phone": (390, 844), "laptop": (1366, 768)}


class Browsers:
    """Pages in browsers of their own; what goes wrong in them is collected."""

    def __init__(self, chromium: Any) -> None:
        self._chromium = chromium
        self.contexts: list[Any] = []
        self.wrong: list[str] = []

    def open(self, url: str, size: str = "laptop", scheme: str = "light", before: str = "") -> Any:
        width, height = SIZES[size]
        context = self._chromium.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        self.contexts.append(context)
        page = context.new_page()
        page.on(
            "console", lambda m: self.wrong.append(f"{m.type}: {m.text}") if m.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("requestfailed", lambda request: self.wrong.append(f"failed: {request.url}"))
        page.on("request", lambda request: self._own(request.url))
        if before:
            page.add_init_script(before)
        page.goto(url)
        page.wait_for_function("window.hoodtrace && hoodtrace.version() >= 0")
        return page

    def _own(self, url: str) -> None:
        if not re.match(r"(https?|ws)://127\.0\.0\.1:|data:|blob:", url):
            self.wrong.append(f"not from here: {url}")


def answer_all(visit: Visit) -> None:
    """Answer what is asked before the first reading."""
    while (question := visit.step().question) is not None:
        usual: dict[str, Any] = {"choice": question.options[:1] and question.options[0], "text": "a word"}
        visit.decide({"do": "answer", "question": question.id, "value": usual.get(question.kind)}, UTC)


class Served:
    """The command at work: its page's address, what it printed, its end."""

    def __init__(self, folder: Path, *options: str) -> None:
        environment = {key: value for key, value in os.environ.items() if key != "PYTEST_CURRENT_TEST"}
        self.cwd = folder.parent / "elsewhere"
        self.cwd.mkdir(exist_ok=True)
        self.out = folder.parent / "out.txt"
        with self.out.open("w") as out:
            self._process = subprocess.Popen(
                [*COMMAND, "visit", str(folder), "--page-port", "0", "--no-browser", "--language", "en", *options],
                stdout=out,
                stderr=subprocess.STDOUT,
                env=environment | {"PYTHONUNBUFFERED": "1"},
                cwd=self.cwd,
            )
        self.url = wait_for(lambda: self.printed(r"Page: (http://\S+)"), "the page's address")

    def printed(self, pattern: str) -> str:
        """The newest match of what was printed; empty where there is none."""
        found = re.findall(pattern, self.out.read_text())
        return str(found[-1]) if found else ""

    def freeze(self) -> None:
        """Let it stand still."""
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._process.send_signal(signal.SIGCONT)

    def stop(self) -> int:
        """End it as Ctrl-C does."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
        try:
            return self._process.wait(20)
        finally:
            self._process.kill()


def wait_for(found: Callable[[], T], what: str, seconds: float = 30.0) -> T:
    """Return the first answer that is not empty."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if answer := found():
            return answer
        time.sleep(0.05)
    raise AssertionError(f"{what}: did not come within {seconds:g} s")
