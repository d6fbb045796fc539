"""Every sentence that the program can show is there in every language, with the values that it gets."""

from __future__ import annotations

import ast
import re
import string
import typing
from collections.abc import Iterator
from pathlib import Path

import pytest

import hoodtrace
from hoodtrace.averaging.so_far import State as HoldState
from hoodtrace.board.turning import Turning
from hoodtrace.dwelling import questions, show, steps
from hoodtrace.dwelling.questions import CAUTIONS, FLUE
from hoodtrace.dwelling.screen import Live, Row, Say
from hoodtrace.dwelling.state import STOPS, Target
from hoodtrace.dwelling.steps import Step
from hoodtrace.reporting.texts import FOLDER, Words, _read, key_of, languages

CODE = Path(hoodtrace.__file__).parent
ALARM = ("stop", "windows", "leave", "call")
ENTER = ("enter_title", "enter_code", "enter_go")


def trees(*parts: str) -> Iterator[ast.AST]:
    for part in parts:
        found = sorted((CODE / part).rglob("*.py")) if (CODE / part).is_dir() else [CODE / part]
        for path in found:
            if not path.name.startswith("plan_"):  # the form of a plan has its own keys and its own test
                yield ast.parse(path.read_text(encoding="utf-8"))


def calls(name: str, *parts: str) -> Iterator[ast.Call]:
    """Calls of `name`, or of an attribute of that name."""
    for tree in trees(*parts):
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                if called.lstrip("_") == name:
                    yield node


def plain(node: ast.AST) -> list[str]:
    """The strings that a first argument can be; an f-string comes back as its source."""
    if isinstance(node, ast.IfExp):
        return [*plain(node.body), *plain(node.orelse)]
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    return [ast.unparse(node)]


def question_ids() -> set[str]:
    out = set()
    for module in (questions, steps):
        assert module.__file__
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        loops = [n for n in ast.walk(tree) if isinstance(n, ast.comprehension) and isinstance(n.iter, ast.Tuple)]
        named = {
            ast.unparse(n.target): [ast.literal_eval(e) for e in typing.cast(ast.Tuple, n.iter).elts] for n in loops
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Question":
                for text in plain(node.args[0]):
                    out |= set(named.get(text, [text.removeprefix("f'").split(":")[0]]))
    return out


def options() -> set[str]:
    """The choices of all questions but those that are names of the plan."""
    out = {"confirm", "leave open", *questions.WINDS, *questions.LOCKED}
    for call in calls("Question", "dwelling"):
        if len(call.args) > 2 and isinstance(call.args[2], ast.Tuple):
            out |= {ast.literal_eval(one) for one in call.args[2].elts}
    return out


def turn_words() -> set[str]:
    target, out = Target("S1", 30.0, 28.5, 31.5), set()
    for flows in ((60.0, 40.0, 33.0, 30.0, 20.0), (10.0, 27.0, 40.0)):
        turning = Turning()
        turning.begin(target)
        out |= {key_of(turning.look(target, flow, 5_000_000 * i)[0]) for i, flow in enumerate(flows, 1)}
    return out


def stages() -> set[str]:
    found = {plain(call.args[3])[0] for call in calls("at", "dwelling/steps.py") if len(call.args) > 3}
    return found - {"round"}


def last_kinds() -> set[str]:
    tree = ast.parse(Path(show.__file__).read_text(encoding="utf-8"))
    return {
        ast.literal_eval(one)
        for node in ast.walk(tree)
        if isinstance(node, ast.Compare)
        and ast.unparse(node.left) == "kind"
        and isinstance(node.comparators[0], ast.Tuple)
        for one in node.comparators[0].elts
    }


def refusals() -> set[str]:
    """Why a hold is not taken: what the averaging and the guide may say."""
    source = "".join(
        (CODE / name).read_text(encoding="utf-8")
        for name in ("averaging/reading.py", "averaging/session.py", "averaging/so_far.py", "board/guide.py")
    )
    found = re.findall(r'refusal\s*=\s*"([a-z ]+)"|_again\("([a-z ]+)"\)', source)
    whys = [
        text
        for tree in trees("averaging/reading.py", "board/guide.py")
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "why"
        for text in re.findall(r"else '([a-z ]+)'|\(?'([a-z ]+)' if", ast.unparse(node.value))
    ]
    return {"not steady", *(text for one in [*found, *whys] for text in one if text)}


F_STRINGS: dict[str, typing.Callable[[], set[str]]] = {
    "f'question.{name}'": lambda: {f"question.{one}" for one in question_ids() - {"set"}},
    "f'do.{step.kind}'": lambda: {
        f"do.{kind}"
        for kind in typing.get_args(typing.get_type_hints(Step)["kind"])
        if kind not in ("question", "measure")
    },
    "f'do.{terminal.cover}'": lambda: {"do.parts", "do.traverse"},
    "f'do.go_{step.stage}'": lambda: {f"do.go_{stage}" for stage in stages()},
    "f'do.go_{stop}'": lambda: {f"do.go_{stop}" for stop in STOPS},
    "f'do.hold_{stop}'": lambda: {f"do.hold_{stop}" for stop in STOPS},
    "f'do.by_hand_{stop}'": lambda: {f"do.by_hand_{stop}" for stop in STOPS},
    "f\"turn.{live.turn.replace(' ', '_')}\"": lambda: {f"turn.{word}" for word in turn_words()},
    "f'caution.{name}'": lambda: {f"caution.{name}" for names in CAUTIONS.values() for name in names},
    "f'caution.{named}'": lambda: {f"caution.{name}" for name in FLUE},
    "f\"last.{kind.replace(' ', '_')}\"": lambda: {f"last.{key_of(kind)}" for kind in last_kinds()},
    "f'page.alarm_{step}'": lambda: {f"page.alarm_{step}" for step in ALARM},
    "f'page.{key}'": lambda: {f"page.{key}" for key in ENTER},
    "f'question.{question.id}'": lambda: {"question.outdoor_c", "question.wind", "question.indoor_c"},
}


def said_keys() -> set[str]:
    """Every key that the program names; an f-string that is not known here fails the test."""
    out = set()
    named = [*calls("Say", "dwelling", "board", "pages"), *calls("words", "pages")]
    for call in named:
        if not call.args:
            continue
        for text in plain(call.args[0]):
            if text.startswith(("f'", 'f"')):
                assert text in F_STRINGS, f"{text}: say here which keys this can be"
                out |= F_STRINGS[text]()
            elif re.fullmatch(r"[a-z]+\.\w+", text):
                out.add(text)
    return out


def word_keys() -> set[str]:
    live = re.findall(r'"([a-z ]+)"', (Live.__doc__ or "").split("`flow_m3h`")[0])
    row = re.findall(r'"([a-z ]+)"', Row.__doc__ or "")
    given = {plain(k.value)[0] for c in calls("Live", "board") for k in c.keywords if k.arg == "state"}
    states = {*live, *typing.get_args(HoldState), *(s for s in given if re.fullmatch(r"[a-z ]+", s))}
    groups: dict[str, set[str]] = {
        "state": states,
        "row": set(row),
        "answer": options(),
        "why": refusals(),
        "spoken": turn_words(),
        "direction": {"supply", "extract", "unknown"},
    }
    assert len(states) >= 11
    assert len(row) == 5
    assert len(groups["why"]) >= 6
    return {f"{group}.{key_of(name)}" for group, names in groups.items() for name in names}


def test_each_language_has_every_key_that_the_program_can_name() -> None:
    wanted = said_keys() | word_keys()
    assert {"do.go", "do.go_check", "turn.past_less", "question.valve", "last.left_out", "refused.damp"} <= wanted
    for language in languages():
        assert wanted - set(_read(language)) == set(), language


@pytest.mark.parametrize("language", languages())
def test_each_language_has_the_same_keys_and_no_other_values(language: str) -> None:
    english, here = _read("en"), _read(language)
    assert set(here) == set(english)
    for key, text in here.items():
        names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
        known = {name for _, name, _, _ in string.Formatter().parse(english[key]) if name is not None}
        assert names <= known, key
        assert text.strip(), key


def test_numbers_and_values_stand_as_text() -> None:
    words = Words("en")
    nasty = "<b>{flow_m3h}</b>"
    said = words.say(Say("last.reading", {"terminal": nasty, "flow_m3h": 312.44, "expanded_m3h": 9.96}))
    assert said == f"{nasty}: 312\xa0m³/h ± 10.0\xa0m³/h is kept."
    assert words.say(Say("spoken.reading", {"terminal": "S1", "flow_m3h": 44.96}), spoken=True) == (
        "S1: 45.0 cubic metres per hour."
    )
    assert words.number(-3.25, 1) == "\N{MINUS SIGN}3.2"


def test_a_key_or_a_value_that_is_missing_is_an_error() -> None:
    words = Words("en")
    with pytest.raises(KeyError):
        words.say(Say("do.nothing_like_it"))
    with pytest.raises(KeyError):
        words.say(Say("do.go", {"terminal": "S1"}))
    with pytest.raises(ValueError, match="nan"):
        words.say(Say("last.reading", {"terminal": "S1", "flow_m3h": float("nan"), "expanded_m3h": 1.0}))


def test_a_language_that_is_not_there_gives_english_and_says_so() -> None:
    assert (Words("xx_YY").language, Words("xx_YY").missing) == ("en", "xx")
    assert (Words("en-GB").language, Words("en-GB").missing) == ("en", "")


def test_nothing_promises_what_nobody_can_promise() -> None:
    for path in FOLDER.glob("*.toml"):
        assert not re.search(r"\bsafe", path.read_text(encoding="utf-8"), re.IGNORECASE), path
