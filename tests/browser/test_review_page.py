"""The page of a review in a real browser: real drags and keys, its numbers compared with the command line's."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import tomllib
import urllib.error
import urllib.request
import zlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from browser.served import COMMAND, SIZES, wait_for
from hoodtrace.averaging.marks import Mark
from hoodtrace.board.scenario import demo_visit_toml
from hoodtrace.dwelling.changes import CHANGES
from hoodtrace.dwelling.journal import entries
from hoodtrace.pages.server import STATIC
from hoodtrace.reporting.texts import FOLDER, key_of
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace

AIR = Fluctuation("ou", 0.04, 0.4)
HELD = """
const real = fetch;
window.fetch = (path, o) => (window.held && path.includes("version") ? new Promise(() => {}) : real(path, o));
"""
"""With it a page no longer asks whether there is news."""


def scenes(*flows_m3h: float, seconds: float = 26.0) -> tuple[Hold | Free, ...]:
    out: list[Hold | Free] = [Free(8, "hang")]
    for flow_m3h in flows_m3h:
        out += [Free(4, "carry"), Free(5, "hang"), Hold((Plateau(flow_m3h, seconds, AIR),)), Free(5, "hang")]
    return tuple(out)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A visit with two traces that nobody decided anything about."""
    folder = tmp_path_factory.mktemp("made") / "visit"
    (folder / "traces").mkdir(parents=True)
    hood = Hood()
    (folder / "hood.toml").write_text(hood_toml(hood), encoding="utf-8")
    (folder / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
    for name, seed, flows in (("01", 61, (45.0, 80.0, 30.0)), ("02", 62, (60.0, 25.0))):
        trace, _ = make_trace(Spec(scenes(*flows), hood), seed)
        (folder / "traces" / f"{name}.trace").write_bytes(later(trace, 3 if name == "02" else 0))
    return folder


def later(trace: bytes, hours: int) -> bytes:
    """Put the clock of a trace's notes so many hours on."""
    lines = trace.split(b"\n")
    for i, line in enumerate(lines):
        if line.startswith(b"H "):
            moved = re.sub(rb"T(\d\d):", lambda found: b"T%02d:" % (int(found[1]) + hours), line.rpartition(b" ")[0])
            lines[i] = moved + b" %08x" % zlib.crc32(moved)
    return b"\n".join(lines)


class Reviewed:
    """The command at work on a visit, and pages that look at it; what goes wrong in them is collected."""

    def __init__(self, folder: Path, chromium: Any) -> None:
        self.folder, self._chromium = folder, chromium
        self.wrong: list[str] = []
        self._contexts: list[Any] = []
        self.out = folder.parent / "out.txt"
        self.start()

    def start(self) -> None:
        command = [*COMMAND, "review", str(self.folder), "--no-browser", "--page-port", "0", "--language", "en"]
        with self.out.open("w") as out:
            environment = {key: value for key, value in os.environ.items() if key != "PYTEST_CURRENT_TEST"}
            self.process = subprocess.Popen(
                command, stdout=out, stderr=subprocess.STDOUT, env=environment | {"PYTHONUNBUFFERED": "1"}
            )
        self.url = wait_for(lambda: "".join(re.findall(r"Page: (http://\S+)", self.out.read_text())), "the address")

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            assert self.process.wait(20) == 0
        finally:
            self.process.kill()
        assert self.out.read_text().count("\n") == 1, self.out.read_text()  # the address, and no traceback

    def open(self, size: str = "laptop", before: str = "", **more: Any) -> Any:
        width, height = SIZES[size]
        context = self._chromium.new_context(viewport={"width": width, "height": height}, **more)
        self._contexts.append(context)
        page = context.new_page()
        page.on("console", lambda m: self.wrong.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on(
            "request", lambda r: None if r.url.startswith(("http://127.0.0.1:", "data:")) else self.wrong.append(r.url)
        )
        if before:
            page.add_init_script(before)
        page.goto(self.url)
        until(page, "window.hoodtraceReview && hoodtraceReview.state()?.loading.done && hoodtraceReview.drawn.first_ms")
        return page

    def again(self, old: Any) -> Any:
        """Start the command anew; the page that found it gone is closed."""
        old.close()
        self.wrong.clear()
        self.start()
        return self.open()

    def close(self) -> None:
        for context in self._contexts:
            context.close()
        self.stop()

    def changes(self) -> list[dict[str, Any]]:
        if not (self.folder / "journal.jsonl").exists():
            return []
        return [line for line in entries(self.folder) if line["kind"].startswith("review")]

    def readings(self, trace: str = "01", *options: str) -> list[dict[str, Any]]:
        """What the command line says of a trace."""
        path = self.folder / "traces" / f"{trace}.trace"
        command = [
            *COMMAND,
            "readings",
            str(path),
            "--hood",
            str(self.folder / "hood.toml"),
            "--format",
            "json",
            *options,
        ]
        found = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
        return list(found["readings"])


@pytest.fixture
def review(made: Path, tmp_path: Path, chromium: Any) -> Iterator[Reviewed]:
    folder = tmp_path / "visit"
    shutil.copytree(made, folder)
    reviewed = Reviewed(folder, chromium)
    yield reviewed
    reviewed.close()


def until(page: Any, what: str) -> None:
    """Wait; the page's own rules forbid the way of Playwright's waiting, which is eval."""
    wait_for(lambda: page.evaluate(f"() => Boolean({what})"), what)


def windows(page: Any) -> dict[str, dict[str, Any]]:
    return {one["id"]: one for one in page.evaluate("hoodtraceReview.state().windows")}


def version(page: Any) -> int:
    return int(page.evaluate("hoodtraceReview.state().version"))


def changed(page: Any, act: Callable[[], None]) -> None:
    """Do something that becomes a change, and wait until the page knows."""
    before = version(page)
    act()
    until(page, f"hoodtraceReview.state().version > {before} && !hoodtraceReview.compared()?.isTried")


def choose(page: Any, name: str) -> None:
    page.locator(f"#windows button[title^='{name}:']").click()
    until(page, f"hoodtraceReview.chosen() === '{name}'")
    count = page.evaluate("hoodtraceReview.zooms.length")
    page.locator("#chart").dblclick(position=middle(page, name))  # fits it
    until(page, f"hoodtraceReview.zooms.length > {count}")


def middle(page: Any, name: str, share: float = 0.5) -> dict[str, float]:
    one = windows(page)[name]
    x = one["x_shift_s"] + one["start_s"] + share * (one["end_s"] - one["start_s"])
    return {"x": page.evaluate(f"hoodtraceReview.px({x})"), "y": 250}


def drag(page: Any, start: tuple[float, float], by_px: float, at_end: Callable[[], None] | None = None) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    for step in range(1, 11):
        page.mouse.move(start[0] + by_px * step / 10, start[1])
    if at_end:
        at_end()
    page.mouse.up()


def in_chart(page: Any, name: str, share: float) -> tuple[float, float]:
    box, at = page.locator("#plot").bounding_box(), middle(page, name, share)
    return box["x"] + at["x"], box["y"] + at["y"]


def shown(row: dict[str, Any]) -> tuple[str, str]:
    """Flow and interval as the page writes them."""
    digits = 0 if row["flow_m3h"] >= 99.95 else 1
    return f"{row['flow_m3h']:.{digits}f}\xa0m³/h", f"±\xa0{row['expanded_m3h']:.1f}"


def panel(page: Any) -> tuple[str, str]:
    return page.locator("#flow").inner_text(), page.locator("#interval").inner_text()


def test_the_page_shows_the_numbers_of_the_command_line(review: Reviewed) -> None:
    page = review.open()
    found = windows(page)
    for trace in ("01", "02"):
        printed = review.readings(trace)
        assert len(printed) >= 2
        for row in printed:
            one = found[f"{trace}:{row['hold']}.{row['plateau']}"]
            assert (one["flow_m3h"], one["expanded_m3h"]) == (row["flow_m3h"], row["expanded_m3h"])
            choose(page, one["id"])
            assert panel(page) == shown(row)
            listed = page.locator(f"#windows button[title^='{one['id']}:'] .row-flow").inner_text()
            assert listed == " ".join(shown(row))
    assert review.wrong == []


def test_times_of_day_and_the_void_between_traces(review: Reviewed) -> None:
    page = review.open(timezone_id="UTC")
    axis = page.evaluate("hoodtraceReview.state().axis")
    first, second = axis["pieces"]
    (void,) = axis["breaks"]
    # Both traces begin at the same time of their day, three hours apart.
    assert void["seconds"] == pytest.approx(3 * 3600.0 - (first["x1"] - first["x0"]), abs=1.0)
    assert void["x1"] - void["x0"] < 60.0
    rows = dict(zip(windows(page), page.locator("#windows .row-time").all_inner_texts(), strict=True))
    hours = {name[:2]: int(time[:2]) for name, time in rows.items()}
    assert hours["02"] == hours["01"] + 3
    one = windows(page)["02:1.1"]
    begun_s = second["utc_s"] + one["start_s"] + one["x_shift_s"] - second["x0"]
    begun = datetime.fromtimestamp(round(begun_s), UTC)
    assert rows["02:1.1"] == begun.strftime("%H:%M:%S")
    assert review.wrong == []


def test_each_line_can_be_hidden_and_said_so(review: Reviewed) -> None:
    page = review.open()
    for name in ("vane", "taps"):
        colour = page.evaluate(f"getComputedStyle(document.documentElement).getPropertyValue('--{name}')")
        assert painted(page, colour) > 50
        page.locator(f"#{name}").click()
        assert page.locator(f"#{name}").get_attribute("aria-pressed") == "false"
        until(page, "hoodtraceReview.drawn.n > 0")
        page.wait_for_timeout(100)
        if name == "taps":  # the vane's ink is also that of the bands
            assert painted(page, colour) == 0
        page.locator(f"#{name}").click()
    review.wrong = [text for text in review.wrong if "getImageData" not in text]  # of this test's own looking
    assert review.wrong == []


def painted(page: Any, colour: str) -> int:
    """Pixels of the chart in a colour."""
    red, green, blue = (int(colour.strip()[i : i + 2], 16) for i in (1, 3, 5))
    return int(
        page.evaluate(
            f"""() => {{
                const c = document.querySelector("#plot canvas");
                const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
                let n = 0;
                for (let i = 0; i < d.length; i += 4)
                    n += d[i] === {red} && d[i + 1] === {green} && d[i + 2] === {blue};
                return n;
            }}"""
        )
    )


def test_every_word_of_the_page_is_there_and_used() -> None:
    sources = "".join(path.read_text(encoding="utf-8") for path in sorted((STATIC / "review").glob("*.[jh]*")))
    texts = tomllib.loads((FOLDER / "en.toml").read_text(encoding="utf-8"))["review"]
    named = set(re.findall(r"""["'`]review\.(\w+)["'`]""", sources)) | {"broken"}
    groups = set(re.findall(r"`review\.(\w+_)\$\{", sources)) | {"undo_", "redo_"}
    assert {"state_", "mark_", "do_", "term_", "row_", "verdict_", "why_", "key_", "scope_"} <= groups
    assert named - set(texts) == set()
    assert {name for name in texts if name not in named and not name.startswith(tuple(groups))} == set()
    kinds = re.findall(r"`([a-z ]+)` \(", Mark.__doc__ or "")
    assert len(kinds) == 9
    wanted = {f"mark_{key_of(kind)}" for kind in kinds} | {f"do_{do}" for do in CHANGES}
    assert wanted - set(texts) == set()


def test_an_edge_is_dragged_and_shows_before_and_after(review: Reviewed) -> None:
    page = review.open()
    name = "01:1.1"
    choose(page, name)
    old = windows(page)[name]
    box = page.locator("#stop").bounding_box()
    tried: list[Any] = []

    def look() -> None:
        until(page, "hoodtraceReview.compared()?.isTried")
        page.wait_for_timeout(300)  # the newest one of the drag
        tried.append(page.evaluate("hoodtraceReview.compared()"))
        assert page.locator("#compared th[scope=col]").all_inner_texts() == ["Before", "After"]
        assert review.changes() == []

    changed(page, lambda: drag(page, (box["x"] + 8, box["y"] + 60), -120.0, look))
    new = windows(page)[name]
    assert new["end_s"] < old["end_s"] - 1.0
    assert (new["start_s"], new["by"], new["automatic"]["flow_m3h"]) == (old["start_s"], "person", old["flow_m3h"])
    assert tried[0]["before"][0]["flow_m3h"] == old["flow_m3h"]
    assert tried[0]["after"][0]["flow_m3h"] == new["flow_m3h"]
    assert page.locator("#by strong").inner_text() == "Chosen by hand."
    assert shown(old)[0] in page.locator("#automatic").inner_text()
    assert panel(page) == shown(new)
    assert [line["change"]["do"] for line in review.changes()] == ["edges"]
    (printed,) = review.readings("01", "--window", f"{new['start_s']}..{new['end_s']}")
    assert new["flow_m3h"] == pytest.approx(printed["flow_m3h"], abs=1e-6)
    assert new["expanded_m3h"] == pytest.approx(printed["expanded_m3h"], abs=1e-6)
    assert review.wrong == []


def test_a_stretch_is_cut_out_and_taken_back(review: Reviewed) -> None:
    page = review.open()
    name = "01:2.1"
    choose(page, name)
    old = windows(page)[name]
    assert old["cuts"] == []
    page.get_by_role("button", name="Cut out a stretch").click()
    width = middle(page, name, 0.6)["x"] - middle(page, name, 0.4)["x"]
    changed(page, lambda: drag(page, in_chart(page, name, 0.4), width))
    new = windows(page)[name]
    (cut,) = new["cuts"]
    length_s = old["end_s"] - old["start_s"]
    assert cut["start_s"] == pytest.approx(old["start_s"] + 0.4 * length_s, abs=0.02 * length_s)
    assert cut["end_s"] == pytest.approx(old["start_s"] + 0.6 * length_s, abs=0.02 * length_s)
    assert new["used_s"] == pytest.approx(old["used_s"] - (cut["end_s"] - cut["start_s"]), abs=0.05)
    assert new["flow_m3h"] != old["flow_m3h"]
    page.locator("#chart").click(position=middle(page, name, 0.5))  # on the cut
    assert page.evaluate("document.activeElement.textContent") == "Take back"
    changed(page, lambda: page.keyboard.press("Enter"))
    assert windows(page)[name] | {"notes": []} == old
    assert review.wrong == []


def test_a_window_is_drawn_where_there_was_none(review: Reviewed) -> None:
    page = review.open()
    name = "01:2.1"
    choose(page, name)
    old = windows(page)
    start_s, end_s = old[name]["start_s"], old[name]["end_s"]
    begin, per_s = in_chart(page, name, 0.0), page.evaluate("hoodtraceReview.px(1) - hoodtraceReview.px(0)")
    page.locator("#panel input[name=end_s]").fill(f"{start_s + 7.0:.3f}")  # room for another one
    changed(page, page.locator("button[name=go-edges]").click)
    page.get_by_role("button", name="New window", exact=True).click()
    # It begins on the handle of the one that is chosen, which keeps out of the way.
    changed(page, lambda: drag(page, (begin[0] + 7.3 * per_s, begin[1]), (end_s - start_s - 8.0) * per_s))
    (new,) = [one for one in windows(page).values() if one["id"] not in old]
    assert (new["by"], new["automatic"], new["terminal"], new["state"]) == ("person", None, None, "reading")
    assert new["start_s"] == pytest.approx(start_s + 7.3, abs=2.0 / per_s)
    assert new["end_s"] == pytest.approx(end_s - 0.7, abs=2.0 / per_s)
    assert page.evaluate("hoodtraceReview.chosen()") == new["id"]
    (printed,) = review.readings("01", "--window", f"{new['start_s']}..{new['end_s']}")
    assert new["flow_m3h"] == pytest.approx(printed["flow_m3h"], abs=1e-6)
    assert panel(page) == shown(printed)
    assert review.wrong == []


def test_the_wheel_zooms_at_the_pointer_and_a_drag_moves(review: Reviewed) -> None:
    page = review.open()
    box, before = page.locator("#plot").bounding_box(), page.evaluate("hoodtraceReview.view()")
    here, y = round(box["x"] + middle(page, "01:2.1")["x"]) - box["x"], box["y"] + 250  # a wheel tells whole pixels
    origin, per_s = page.evaluate("[hoodtraceReview.px(0), hoodtraceReview.px(1) - hoodtraceReview.px(0)]")
    under_s = (here - origin) / per_s
    page.mouse.move(box["x"] + here, y)
    for _ in range(4):
        page.mouse.wheel(0, -200)
    until(page, f"hoodtraceReview.view().x1 - hoodtraceReview.view().x0 < {0.3 * (before['x1'] - before['x0'])}")
    assert page.evaluate(f"hoodtraceReview.px({under_s})") == pytest.approx(here, abs=0.5)
    near = page.evaluate("hoodtraceReview.view()")
    drag(page, (box["x"] + here, y), 90.0)
    until(page, f"hoodtraceReview.view().x0 < {near['x0']}")
    assert page.evaluate(f"hoodtraceReview.px({under_s})") == pytest.approx(here + 90.0, abs=0.5)
    one = windows(page)["01:2.1"]
    page.keyboard.press("Home")
    until(page, f"hoodtraceReview.view().x0 === {before['x0']}")
    page.locator("#chart").dblclick(position=middle(page, "01:2.1"))
    until(page, f"hoodtraceReview.view().x1 - hoodtraceReview.view().x0 < {2 * (one['end_s'] - one['start_s'])}")
    page.keyboard.down("Shift")
    drag(page, in_chart(page, "01:2.1", 0.2), middle(page, "01:2.1", 0.4)["x"] - middle(page, "01:2.1", 0.2)["x"])
    page.keyboard.up("Shift")
    length_s = one["end_s"] - one["start_s"]
    until(page, f"hoodtraceReview.view().x1 - hoodtraceReview.view().x0 < {0.3 * length_s}")
    view, shift_s = page.evaluate("hoodtraceReview.view()"), one["x_shift_s"]
    assert view["x0"] - shift_s == pytest.approx(one["start_s"] + 0.2 * length_s, abs=0.02 * length_s)
    assert view["x1"] - shift_s == pytest.approx(one["start_s"] + 0.4 * length_s, abs=0.02 * length_s)
    assert review.changes() == []
    assert review.wrong == []


def test_windows_are_split_merged_given_rejected_noted_and_all_undone(review: Reviewed) -> None:
    page = review.open()
    name = "01:2.1"
    choose(page, name)
    old = windows(page)
    changed(page, page.locator("button[name=go-split]").click)
    parts = [one for one in windows(page).values() if one["trace"] == "01" and one["hold"] == 2]
    assert len(parts) == 2
    assert parts[0]["end_s"] == parts[1]["start_s"]
    assert page.evaluate("hoodtraceReview.chosen()") == name
    changed(page, page.locator("button[name=merge]").click)
    merged = windows(page)
    assert merged.keys() == old.keys()
    assert merged[name]["flow_m3h"] == old[name]["flow_m3h"]

    page.locator("select[name=terminal]").select_option("S2")
    changed(page, page.locator("button[name=go-give]").click)
    given = windows(page)[name]
    assert (given["terminal"], given["by"]) == ("S2", "person")
    assert page.locator("#verdict").inner_text() == given["verdict"]
    assert page.locator(f"#windows button[title^='{name}:'] .row-name").inner_text() == "S2"

    n = version(page)
    page.locator("button[name=go-reject]").click()
    until(page, "document.getElementById('said').textContent === 'A reason is needed.'")
    assert version(page) == n
    page.locator("input[name=why]").fill("the door stood open")
    changed(page, page.locator("button[name=go-reject]").click)
    assert windows(page)[name]["state"] == "rejected"
    assert page.locator("#state").inner_text() == "Rejected: the door stood open"
    page.locator("input[name=text]").fill("<b>measure again</b>")
    changed(page, page.locator("button[name=go-note]").click)
    assert page.locator(".note").inner_text() == "<b>measure again</b>"
    last = windows(page)

    review.stop()
    until(page, "!document.getElementById('gone').hidden")
    assert page.locator("button[name=go-note]").is_disabled()
    assert page.locator("#undo").is_disabled()
    page = review.again(page)
    assert windows(page) == last
    for _ in range(5):
        changed(page, page.locator("#undo").click)
    assert windows(page) == old
    assert page.locator("#undo").is_disabled()
    page.locator("#whole").focus()
    for key in ("Control+y", "Control+Shift+z", "Control+y"):
        changed(page, lambda key=key: page.keyboard.press(key))
    assert windows(page)[name]["terminal"] == "S2"
    assert [line["kind"] for line in review.changes()] == ["review"] * 5 + ["review undone"] * 5 + ["review redone"] * 3
    assert review.wrong == []


def test_a_program_that_stands_still_is_said_and_comes_back(review: Reviewed) -> None:
    page = review.open()
    choose(page, "01:1.1")
    review.process.send_signal(signal.SIGSTOP)
    until(page, "!document.getElementById('gone').hidden")
    assert page.locator("button[name=go-split]").is_disabled()
    assert page.locator("#stop").is_visible()
    review.process.send_signal(signal.SIGCONT)
    until(page, "document.getElementById('gone').hidden")
    changed(page, page.locator("button[name=go-split]").click)
    assert len(review.changes()) == 1


def test_two_pages_see_each_other_and_the_older_view_is_refused(review: Reviewed) -> None:
    one, two = review.open(), review.open(before=HELD)
    for page in (one, two):
        choose(page, "01:1.1")
    two.evaluate("window.held = true")
    two.wait_for_timeout(1200)
    one.locator("input[name=text]").fill("from the other one")
    changed(one, one.locator("button[name=go-note]").click)
    two.locator("input[name=why]").fill("seen too late")
    two.locator("button[name=go-reject]").click()
    until(two, "document.getElementById('said').textContent.includes('meanwhile')")
    until(two, "hoodtraceReview.state().windows.some((each) => each.notes.includes('from the other one'))")
    assert len(review.changes()) == 1
    changed(two, two.locator("button[name=go-reject]").click)  # what was typed is still there
    until(one, "hoodtraceReview.state().windows.some((each) => each.state === 'rejected')")
    assert one.locator("#state").inner_text() == "Rejected: seen too late"
    review.wrong = [text for text in review.wrong if "409" not in text]
    assert review.wrong == []


def test_a_trace_that_is_deleted_meanwhile_is_named_and_the_rest_goes_on(review: Reviewed) -> None:
    page = review.open()
    choose(page, "02:1.1")
    (review.folder / "traces" / "02.trace").unlink()
    until(page, "document.getElementById('problems').innerText.includes('02.trace')")
    assert page.locator("#problems").is_visible()
    until(page, "hoodtraceReview.state().windows.some((each) => !each.editable)")
    assert page.locator("button[name=go-edges]").count() == 0
    assert page.locator("#stop").is_hidden()
    choose(page, "01:1.1")
    changed(page, page.locator("button[name=go-split]").click)
    assert [line["change"]["id"] for line in review.changes()] == ["01:1.1"]
    assert review.wrong == []


def test_a_damaged_line_of_the_journal_is_named_and_the_rest_goes_on(review: Reviewed) -> None:
    page = review.open()
    choose(page, "01:1.1")
    for text in ("first", "second", "third"):
        page.locator("input[name=text]").fill(text)
        changed(page, page.locator("button[name=go-note]").click)
    review.stop()
    journal = review.folder / "journal.jsonl"
    lines = journal.read_bytes().split(b"\n")
    at = next(i for i, line in enumerate(lines) if b'"second"' in line)
    lines[at] = lines[at].replace(b"second", b"secnod")
    journal.write_bytes(b"\n".join(lines))
    page = review.again(page)
    told = page.locator("#problems").inner_text()
    assert "journal.jsonl" in told
    assert str(at + 1) in told
    assert {one["flow_m3h"] for one in windows(page).values() if one["trace"] == "01"} >= {
        row["flow_m3h"] for row in review.readings("01")
    }
    assert page.evaluate("hoodtraceReview.drawn.points") > 100
    assert review.wrong == []


def test_on_a_phone_what_was_chosen_and_what_was_refused_is_in_view(review: Reviewed) -> None:
    page = review.open("phone", has_touch=True, is_mobile=True)
    height = SIZES["phone"][1]
    page.locator("#windows .row").first.tap()
    page.locator("#windows .row").last.tap()  # far below the chart now
    until(page, "hoodtraceReview.chosen() === '02:2.1'")
    box = page.locator("#chart").bounding_box()
    top = page.locator(".top").bounding_box()
    assert box["y"] >= top["height"] - 1
    assert box["y"] + box["height"] <= height
    page.locator("input[name=at_s]").fill("1")
    page.locator("button[name=go-split]").tap()
    until(page, "document.getElementById('said').textContent.includes('not inside')")
    assert page.evaluate("scrollY") > 0
    said = page.locator("#said").bounding_box()
    assert 0 <= said["y"] <= height - said["height"]
    review.wrong = [text for text in review.wrong if "409" not in text]
    assert review.wrong == []


def test_what_another_program_took_back_is_no_longer_called_done(review: Reviewed) -> None:
    page = review.open()
    choose(page, "01:1.1")
    changed(page, page.locator("button[name=go-split]").click)
    assert page.locator(".compared").count() > 0
    subprocess.run([*COMMAND, "review", str(review.folder), "--undo"], capture_output=True, check=True)
    until(page, "!hoodtraceReview.state().undo")
    until(page, "!document.querySelector('.compared')")
    assert review.wrong == []


def test_killed_while_an_edge_is_dragged_the_page_shows_what_stands(review: Reviewed) -> None:
    page = review.open()
    choose(page, "01:1.1")
    handle = page.locator("#stop")
    before, box = handle.bounding_box()["x"], handle.bounding_box()
    drag(page, (box["x"] + 15, box["y"] + 100), -60, review.process.kill)
    until(page, "!document.getElementById('gone').hidden")
    until(page, "document.getElementById('said').textContent === ''")
    assert handle.bounding_box()["x"] == pytest.approx(before, abs=1)
    assert review.changes() == []
    review.process.wait(20)
    page = review.again(page)
    choose(page, "01:1.1")
    changed(page, page.locator("button[name=go-split]").click)


def test_all_of_it_with_keys_alone(review: Reviewed) -> None:
    page = review.open()

    def tab_to(what: str) -> None:
        for _ in range(80):
            if page.evaluate(f"Boolean(document.activeElement.matches({what!r}))"):
                return
            page.keyboard.press("Tab")
        raise AssertionError(what)

    tab_to("#chart")
    whole = page.evaluate("hoodtraceReview.view()")
    page.keyboard.press("+")
    until(page, f"hoodtraceReview.view().x1 - hoodtraceReview.view().x0 < {0.8 * (whole['x1'] - whole['x0'])}")
    near = page.evaluate("hoodtraceReview.view()")
    page.keyboard.press("ArrowRight")
    until(page, f"hoodtraceReview.view().x0 > {near['x0']}")
    page.keyboard.press("Home")
    until(page, f"hoodtraceReview.view().x0 === {whole['x0']}")
    tab_to("#windows .row")
    page.keyboard.press("Enter")
    until(page, "hoodtraceReview.chosen() !== null")
    name = page.evaluate("hoodtraceReview.chosen()")
    old = windows(page)[name]
    page.locator("body").focus()
    page.evaluate("document.activeElement.blur()")
    tab_to("#stop")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "End of the window"
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
    changed(page, lambda: page.keyboard.press("Shift+ArrowLeft"))
    assert windows(page)[name]["end_s"] == pytest.approx(old["end_s"] - 1.3, abs=1e-6)
    assert len(review.changes()) == 1
    tab_to("input[name=start_s]")
    page.keyboard.press("Control+a")
    page.keyboard.type(f"{old['start_s'] + 2:.2f}".replace(".", ","))
    changed(page, lambda: page.keyboard.press("Enter"))
    assert windows(page)[name]["start_s"] == pytest.approx(old["start_s"] + 2.0, abs=0.006)
    tab_to("#panel select")
    changed(page, lambda: page.keyboard.press("Control+z"))
    changed(page, lambda: page.keyboard.press("Control+z"))
    assert windows(page)[name] == old
    assert review.wrong == []


def test_why_opens_with_the_terms_of_the_reading(review: Reviewed) -> None:
    page = review.open()
    choose(page, "01:1.1")
    page.locator("button[name=why-open]").click()
    page.locator("dialog[open]").wait_for()
    (row, *_) = review.readings("01")
    shares = [text.removesuffix("\xa0%") for text in page.locator(".terms td:nth-child(4)").all_inner_texts()]
    assert sum(float(text.replace("\u2212", "-")) for text in shares) == pytest.approx(100.0, abs=0.1 * len(shares))
    assert page.locator("dialog img").count() == 2
    assert page.evaluate("[...document.querySelectorAll('dialog img')].every((each) => each.naturalWidth > 50)")
    assert f"{row['correlation_s']:.2f}\xa0s" in page.locator("dialog").inner_text()
    page.keyboard.press("Escape")
    page.locator("dialog[open]").wait_for(state="detached")
    assert review.wrong == []


@pytest.mark.parametrize("size", ["phone", "laptop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everything_has_its_place_and_a_name(review: Reviewed, size: str, scheme: str) -> None:
    page = review.open(size, color_scheme=scheme, has_touch=size == "phone", reduced_motion="reduce")
    choose(page, "01:1.1")
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
    for edge in ("#start", "#stop"):
        box = page.locator(edge).bounding_box()
        assert box["width"] >= 24
        assert box["height"] >= 24
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll("button, input, select, summary, [role=slider], [tabindex='0']")]
            .filter((each) => each.offsetParent
                && !(each.getAttribute("aria-label") || each.textContent.trim() || each.labels?.length))
            .map((each) => each.outerHTML)"""
    )
    assert unnamed == []
    small = page.evaluate(
        """() => [...document.querySelectorAll("button")].filter((each) => each.offsetParent
            && (each.offsetHeight < 24 || each.offsetWidth < 24)).map((each) => each.outerHTML)"""
    )
    assert small == []
    assert review.wrong == []


def test_two_fingers_zoom_and_one_moves(review: Reviewed) -> None:
    page = review.open("phone", has_touch=True)
    touch = page.context.new_cdp_session(page)
    box = page.locator("#chart").bounding_box()
    before = page.evaluate("hoodtraceReview.view()")

    def send(kind: str, *places: float) -> None:
        points = [{"x": box["x"] + x, "y": box["y"] + 200, "id": i} for i, x in enumerate(places)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    send("touchStart", 160, 220)
    for step in range(1, 9):
        send("touchMove", 160 - 10 * step, 220 + 10 * step)
    send("touchEnd")
    until(page, f"hoodtraceReview.view().x1 - hoodtraceReview.view().x0 < {0.5 * (before['x1'] - before['x0'])}")
    near = page.evaluate("hoodtraceReview.view()")
    send("touchStart", 300)
    for step in range(1, 9):
        send("touchMove", 300 - 15 * step)
    send("touchEnd")
    until(page, f"hoodtraceReview.view().x0 > {near['x0'] + 0.2 * (near['x1'] - near['x0'])}")
    after = page.evaluate("hoodtraceReview.view()")
    assert after["x1"] - after["x0"] == pytest.approx(near["x1"] - near["x0"])
    assert review.wrong == []


BAD = [
    (b"{", "application/json", 422),
    (b"[" * 15_000, "application/json", 422),
    (b"\xff\xfe", "application/json", 422),
    (b'{"change": {"do": "note", "id": "01:1.1", "text": "a"}}', "text/plain", 422),
    (b'{"change": {"do": "edges", "id": "01:1.1", "start_s": NaN, "end_s": 3}}', "application/json", 422),
    (b'{"change": {"do": "edges", "id": "01:1.1", "start_s": 1e999, "end_s": 3}}', "application/json", 422),
    (b'{"change": {"do": "edges", "id": "01:1.1", "start_s": true, "end_s": 3}}', "application/json", 422),
    (b'{"change": {"do": "note", "id": "01:1.1", "text": "\\ud800"}}', "application/json", 422),
    (b'{"change": {"do": "note", "id": "01:1.1", "text": "' + b"a" * 20_000 + b'"}}', "application/json", 422),
    (b'{"change": {"do": ["note"], "id": "01:1.1"}}', "application/json", 422),
    (b'{"change": {"do": "fly", "id": "01:1.1"}}', "application/json", 422),
    (b'{"change": {"do": "restore", "id": "01:1.1", "more": 1}}', "application/json", 422),
    (b'{"change": {"do": "restore", "id": "01:1.1"}, "version": "1"}', "application/json", 422),
    (b'{"change": {"do": "restore", "id": "01:99.1"}}', "application/json", 409),
    (b'{"change": {"do": "edges", "id": "01:1.1", "start_s": -5, "end_s": 3}}', "application/json", 409),
    (b'{"change": {"do": "edges", "id": "01:1.1", "start_s": 5, "end_s": 1e11}}', "application/json", 409),
    (b'{"change": {"do": "new", "trace": "../../x", "start_s": 1, "end_s": 3}}', "application/json", 409),
    (b'{"change": {"do": "give", "id": "01:1.1", "terminal": "nobody"}}', "application/json", 409),
]


def test_what_no_page_would_send_is_refused_with_words(review: Reviewed) -> None:
    page = review.open()
    cookie = "; ".join(f"{one['name']}={one['value']}" for one in page.context.cookies())
    origin = page.evaluate("location.origin")

    def ask(path: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
        sent = {"cookie": cookie, "origin": origin, **{k.replace("_", "-"): v for k, v in headers.items()}}
        request = urllib.request.Request(origin + path, body, {k: v for k, v in sent.items() if v})
        try:
            with urllib.request.urlopen(request) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()

    for route in ("preview", "change"):
        for body, kind, wanted in BAD:
            status, answer = ask(f"/review/{route}", body, content_type=kind)
            assert (status, body) == (wanted, body)
            assert json.loads(answer)["refused"]
    for query in (
        "",
        "?x0=0&x1=nan&n=100",
        "?x0=0&x1=10&n=0",
        "?x0=10&x1=0&n=10",
        "?x0=0&x1=10&n=1e9",
        "?x0=0&x1=9&n=100000",
    ):
        assert ask(f"/review/series{query}")[0] == 422
    assert ask("/review/series?x0=-1e300&x1=1e300&n=10")[0] == 200
    assert ask("/review/why?id=%00")[0] == 409
    assert ask("/review/undo", b"[]", content_type="application/json")[0] == 422
    note = b'{"change": {"do": "note", "id": "01:1.1", "text": "a"}}'
    assert ask("/review/change", note, content_type="application/json", cookie="")[0] == 403
    assert ask("/review/change", note, content_type="application/json", origin="http://elsewhere.example")[0] == 403
    assert ask("/static/../review_server.py")[0] in (403, 404)
    assert review.changes() == []
