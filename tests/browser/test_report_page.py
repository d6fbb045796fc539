"""The report's page in Chromium: it runs nothing, fits every screen, is accessible, and says what commands say.

Accessibility is judged by axe-core (the reference library; its rules follow WCAG 2.2 AA, contrast too), validity by
html5lib's parse errors (the HTML standard's own algorithm).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import html5lib
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from reported_visit import HOSTILE, traced, typed
from reviewed_visit import run


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Visits with their reports, by name."""
    root = tmp_path_factory.mktemp("report-page")
    names = [(f"T{k}", room) for k, room in enumerate(HOSTILE)]
    found = {
        "traced": traced(root / "traced", 4, 31),
        "typed": typed(root / "typed", 12, 32),
        "hostile": typed(root / "hostile", len(names), 33, names, site=HOSTILE[0]),
    }
    for folder in found.values():
        run("report", folder, "--language", "en")
    return found


def opened(chromium: Browser, folder: Path, width: int, scheme: Any = "light") -> tuple[Page, list[str]]:
    """The page, and what was said in its console or asked of the network."""
    # Without the page's own rules nothing could look into it; what it does by itself is judged with them.
    context = chromium.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
    page, said = context.new_page(), []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if not request.url.startswith("file:") else None)
    page.goto((folder / "report.html").as_uri())
    return page, said


@pytest.mark.parametrize("name", ["traced", "typed", "hostile"])
@pytest.mark.parametrize("width", [360, 1366])
def test_it_runs_nothing_and_fits_the_screen(chromium: Browser, pages: dict[str, Path], name: str, width: int) -> None:
    page, said = opened(chromium, pages[name], width)
    assert said == []
    assert page.title() != "ran"
    assert page.title().startswith("Air flow record")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("[...document.scripts].map(s => s.type)") == ["application/json"]
    page.context.close()


@pytest.mark.parametrize("name", ["traced", "typed", "hostile"])
def test_it_is_valid(pages: dict[str, Path], name: str) -> None:
    parser = html5lib.HTMLParser()
    parser.parse((pages[name] / "report.html").read_bytes())
    assert parser.errors == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1366])
def test_it_is_accessible(chromium: Browser, pages: dict[str, Path], width: int, scheme: Any) -> None:
    for name in ("traced", "typed"):
        context = chromium.new_context(
            viewport={"width": width, "height": 800}, color_scheme=scheme, bypass_csp=True
        )  # axe itself is a script, which the page forbids
        page = context.new_page()
        page.goto((pages[name] / "report.html").as_uri())
        found = Axe().run(page).response
        assert len(found["passes"]) > 10
        assert [(each["id"], each["nodes"][0]["html"]) for each in found["violations"]] == []
        context.close()


def test_its_flows_are_those_of_balance(chromium: Browser, pages: dict[str, Path]) -> None:
    page, _ = opened(chromium, pages["typed"], 1366)
    said, _ = run("balance", pages["typed"], "--format", "json")
    rows: dict[str, list[str]] = page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('table')].find(t => t.rows[0].cells.length === 7)"
        " && [...[...document.querySelectorAll('table')].find(t => t.rows[0].cells.length === 7).rows].slice(1)"
        ".map(r => [r.cells[0].innerText, [...r.cells].map(c => c.innerText)]))"
    )
    terminals = json.loads(said)["terminals"]
    assert len(rows) == len(terminals) == 12
    for of in terminals:
        shown = rows[of["id"]]
        assert float(shown[5].split("±")[0]) == pytest.approx(of["now_m3h"], abs=0.051)
        assert shown[6].split()[-1] == of["level_verdict"]
    page.context.close()


def test_words_of_another_direction_stay_in_their_place(chromium: Browser, pages: dict[str, Path]) -> None:
    """A right-to-left room: what stands behind it in the row is still to its right on the screen."""
    page, _ = opened(chromium, pages["hostile"], 1366)
    boxes: list[float] = page.evaluate(
        "[...[...document.querySelectorAll('tr')].find(r => r.cells[0].innerText === 'T4').cells]"
        ".map(c => c.getBoundingClientRect().left)"
    )
    assert boxes == sorted(boxes)
    assert HOSTILE[4] in page.evaluate("document.body.innerText")
    page.context.close()
