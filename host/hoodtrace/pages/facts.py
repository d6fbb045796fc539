"""From a screen to the words and numbers that stand on the page: one flat record, so that only what changed is sent.

Everything is text or plain numbers, ready to be shown; nothing is decided here, and no page is needed to test it.
"""

from __future__ import annotations

from typing import Any

from hoodtrace.dwelling.screen import Live, Row, Say, Screen
from hoodtrace.reporting.texts import Words, key_of

Facts = dict[str, Any]
_MEAN = ("seated", "settling", "turning", "gust", "steady", "done", "lifted")
"""States in which the flow is a hold's mean."""


def facts(screen: Screen, words: Words) -> Facts:
    """Return what the page shows outside of forms and lists."""
    return {
        "version": screen.version,
        "mode": screen.mode,
        "sentence": words.head(screen.sentence),
        "sentence_rest": words.rest(screen.sentence),
        "say": spoken(screen, words),
        "say_last": spoken_last(screen, words),
        "turn": screen.live.turn,
        "last": words.say(screen.last) if screen.last is not None else "",
        "progress": words("page.progress", n=screen.n_done, n_all=screen.n_all),
        "setting": words("page.setting", setting=screen.setting) if screen.setting else "",
        "next": _next(screen.following, words) if screen.mode in ("terminal", "turn") else "",
        "cues": [list(cue) for cue in screen.cues],
        **live_facts(screen.live, screen, words),
    }


def live_facts(live: Live, screen: Screen, words: Words) -> Facts:
    """Return what changes with every block of samples; without a board there is no flow to speak of."""
    by_hand = live.state == "by hand"
    turning = screen.target_m3h is not None and screen.mode == "turn" and live.state not in ("done", "lifted")
    shown = live.now_m3h if turning else live.flow_m3h
    there = not turning or live.turn in ("", "there")
    averaged = not turning and live.state in _MEAN and live.random_m3h is not None
    return {
        "state": live.state,
        "flow_kind": "now" if not averaged else "mean" if live.expanded_m3h is None else "known",
        "state_word": words.word("state", live.state),
        "flow": words.bare_flow(shown) if shown is not None else "" if by_hand else words("page.no_flow"),
        "flow_of": "" if shown is None else words("page.flow_mean" if averaged else "page.flow_now"),
        "direction": words.word("direction", live.direction) if shown is not None else "",
        "interval": _interval(live, words) if averaged else "" if by_hand else words("page.no_interval"),
        "common": words("page.common", common_m3h=live.common_m3h) if averaged and live.common_m3h else "",
        "share": round(live.share, 3) if live.share is not None and there else None,
        "left": _left(live, words) if there else words("page.left_target"),
        "strip": _strip(live, screen) if screen.target_m3h is not None else None,
        "target": _target(screen, words),
        "link": "" if by_hand else _link(live, words),
        "link_trouble": live.trouble,
        "supply": words("page.supply_low") if live.supply_low else "",
    }


def spoken(screen: Screen, words: Words) -> str:
    """Return what is read out of the sentence: what to do next, the words of a turn short enough to come in time."""
    if screen.sentence.key.startswith("turn."):
        return words.word("spoken", screen.sentence.key.removeprefix("turn."))
    return words.head(screen.sentence, spoken=True)


def spoken_last(screen: Screen, words: Words) -> list[str]:
    """Return what tells one kept reading from the next, and how it is read out; empty where there is none."""
    last = screen.last
    if last is None or "flow_m3h" not in last.values:
        return []
    flow = last.values.get("result_m3h", last.values["flow_m3h"])
    said = Say("spoken.reading", {"terminal": last.values["terminal"], "flow_m3h": flow})
    return [f"{last.values['flow_m3h']}", words.say(said, spoken=True)]


def row_facts(row: Row, words: Words) -> dict[str, str]:
    """Return a line of the list in words."""
    reading = interval = ""
    if row.flow_m3h is not None:
        reading = words.flow(row.flow_m3h)
        interval = f"± {words.bare_flow(row.expanded_m3h)}" if row.expanded_m3h is not None else ""
    notes = [row.why]
    if row.n_placements > 1:
        notes.append(words("row.placements", n=row.n_placements))
    if row.by and row.by != "hood":
        notes.append(words("row.entered"))
    return {
        "name": f"{row.id} · {row.room}",
        "direction": words.word("direction", row.direction),
        "design": words("row.no_design") if row.design_m3h is None else words("row.design", design_m3h=row.design_m3h),
        "reading": reading,
        "interval": interval,
        "state": words.word("row", row.state),
        "state_key": key_of(row.state),
        "note": ", ".join(note for note in notes if note),
        "flags": ", ".join(dict.fromkeys(words.word("flag", flag.partition(":")[0]) for flag in row.flags)),
    }


def changed(before: Facts, now: Facts) -> Facts:
    """Return what is to be sent to a page that has `before`."""
    return {key: value for key, value in now.items() if key not in before or before[key] != value}


def _interval(live: Live, words: Words) -> str:
    if live.expanded_m3h is None:
        return words("page.no_interval")
    return words("page.interval", expanded_m3h=live.expanded_m3h)


def _left(live: Live, words: Words) -> str:
    if live.left_s is None:
        return words("page.left_none")
    return words("page.left", left_s=live.left_s) if live.left_s >= 0.5 else words("page.left_enough")


def _strip(live: Live, screen: Screen) -> list[float] | None:
    """Return where on the strip (0 to 1) the target window begins and ends, and where the flow is now."""
    if screen.target_m3h is None:
        return None
    target, low, high = screen.target_m3h
    reach = max(4.0 * (high - low), 0.35 * target)
    begin = target - reach

    def place(flow: float) -> float:
        return round(min(1.0, max(0.0, (flow - begin) / (2.0 * reach))), 3)

    now = live.now_m3h
    return [place(low), place(high), -1.0 if now is None else place(now)]


def _target(screen: Screen, words: Words) -> str:
    if screen.target_m3h is None:
        return ""
    target, low, high = screen.target_m3h
    return words("page.target", target_m3h=target, low=words.bare_flow(low), high=words.bare_flow(high))


def _link(live: Live, words: Words) -> str:
    if live.rate_hz <= 0.0:
        return words("page.link_none")
    rate = round(live.rate_hz)
    if live.n_lost or live.n_missing:
        return words("page.link_lost", rate=rate, n_lost=live.n_lost, n_missing=live.n_missing)
    return words("page.link_ok", rate=rate)


def _next(following: Row | None, words: Words) -> str:
    if following is None:
        return words("page.next_none")
    return words("page.next", terminal=following.id, room=following.room)
