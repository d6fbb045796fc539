"""The calibration record as one page A4, for somebody who knows nothing of it: the record's numbers, in plain words.

All numbers are written here, once, as words; the template only places them. What the page says is the record's;
nothing is computed but the rounding.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import string
from collections.abc import Iterator
from typing import Any

from hoodtrace.calibration.record import MADE_BY, Fit, Record, RecordPoint, Reference, Signal
from hoodtrace.reporting.pdf import compile_pdf, page_pictures, spelled_out
from hoodtrace.reporting.pictures import factor_picture, residual_picture

TEMPLATE = "calibration"
MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
TIMES = " \N{MULTIPLICATION SIGN} "
_LONGEST_NAME = 120  # letters of a name or note on the page; the JSON has all of it
_LONGEST_KIND = 34  # letters of a reference in the table of points; the list below it has the whole name


def calibration_pdf(record: Record) -> bytes:
    """Return the record as a PDF of one page (more only beyond about a dozen points); same record, same bytes.

    Letters that the page's font lacks are shown by their code, and a note on the page says so.
    """
    return compile_pdf(TEMPLATE, page_data(record), _pictures(record))


def calibration_png(record: Record, ppi: float = 110.0) -> list[bytes]:
    """Return the record's pages as PNG, for a look on the screen."""
    return page_pictures(TEMPLATE, page_data(record), _pictures(record), ppi)


def page_data(record: Record) -> dict[str, Any]:
    """Return what the template places: words only, in the order of the page."""
    json_sha256 = hashlib.sha256(record.as_json().encode()).hexdigest()
    channels = [c for c in ("vane", "taps") if any(fit.channel == c for fit in record.fits)]
    kinds = dict.fromkeys([*(r.kind for r in record.references), *(p.kind for p in record.points)])
    letters = dict(zip(kinds, _letters(), strict=False))
    data: dict[str, Any] = {
        "title": f"Calibration record: {_cut(record.hood.name)}",
        "language": "en",
        "date": record.date.isoformat(),
        "due": record.due.isoformat(),
        "made_by": MADE_BY,
        "name": _cut(record.hood.name),
        "hood": f"Bore {record.hood.bore_mm:.1f} mm, length {record.hood.length_mm:.0f} mm",
        "method": _cut(record.method),
        "results": [_result(fit) for fit in record.fits],
        "other": record.other_words,
        "equation": _equation(record),
        "constants": [_constant(fit) for fit in record.fits],
        "remarks": _remarks(record),
        "channels": channels,
        "symbols": ["k" if channel == "vane" else "c" for channel in channels],
        "points": [_point(point, channels, letters) for point in record.points],
        "references": [_reference(reference, letters[reference.kind]) for reference in record.references],
        "conditions": _conditions(record),
        "not_for": _not_for(record),
        "traces": [[_cut(trace.file), trace.sha256[:12]] for trace in record.traces],
        "software": record.software,
        "json_sha256": json_sha256,
    }
    shown, codes = spelled_out(data)
    note = f"Letters that this page has no shape for are shown by their code ({', '.join(codes)})." if codes else ""
    return {**shown, "note": note}


def _pictures(record: Record) -> dict[str, bytes]:
    return {"residuals": residual_picture(record), "factors": factor_picture(record)}


def _result(fit: Fit) -> dict[str, str]:
    low, high = fit.range_m3h
    return {
        "channel": f"{fit.direction.capitalize()} air, by the {_CHANNEL_WORDS[fit.channel]}",
        "range": f"from {_inward(low, up=True)} to {_inward(high, up=False)} m³/h",
        "within": f"± {_percent_up(fit.within_rel)} %",
    }


_CHANNEL_WORDS = {"vane": "vane", "taps": "pressure taps"}


def _constant(fit: Fit) -> list[str]:
    second = fit.second
    words = "none"
    if second is not None:
        name = "offset added" if second.name == "d_offset" else "exponent n"
        unit = " m/s" if second.name == "d_offset" else ""
        words = f"{name} {_with_u(second.value, second.u)}{unit}, r = {second.r:.2f}".replace("-", MINUS)
    dof = "∞" if math.isinf(fit.dof) else f"{fit.dof:.1f}"
    factor = f"{fit.symbol} = {_with_u(fit.factor, fit.factor * fit.u_factor_rel)}"
    return [f"{fit.direction}, {fit.channel}", factor, f"{100.0 * fit.u_factor_rel:.2g} %", dof, words]


def _equation(record: Record) -> str:
    """Return how the constants turn a signal into a flow, for the channels and second terms that the record has."""
    lines = []
    for channel in dict.fromkeys(fit.channel for fit in record.fits):
        second = any(fit.second is not None for fit in record.fits if fit.channel == channel)
        if channel == "vane":
            speed = "(vane m/s + offset added)" if second else "vane m/s"
            lines.append(f"flow = k{TIMES}area of the bore{TIMES}{speed}")
        else:
            lines.append(f"flow = c{TIMES}area of the bore{TIMES}{'(taps m/s)²ⁿ' if second else 'taps m/s'}")
    return "; ".join(lines)


def _remarks(record: Record) -> list[dict[str, str]]:
    several = len(record.fits) > 1
    return [
        {
            "of": f"{fit.direction}, {fit.channel}: " if several else "",
            "words": f"{fit.lack_of_fit} {fit.leave_one_out}",
        }
        for fit in record.fits
    ] + [
        {"of": f"point {each.number}: ", "words": f"taken out by the user: {_cut(each.why)}"} for each in record.dropped
    ]


def _point(point: RecordPoint, channels: list[str], letters: dict[str, str]) -> list[str]:
    row = [
        str(point.number),
        point.direction,
        f"{letters[point.kind]} {_cut(point.kind, _LONGEST_KIND)}",
        f"{point.flow_m3h:.1f}",
        f"{100.0 * point.u_own_rel:.2f}",
        f"{100.0 * point.u_common_rel:.2f}",
    ]
    for channel in channels:
        row += _signal(point.vane if channel == "vane" else point.taps)
    return row


def _signal(signal: Signal | None) -> list[str]:
    if signal is None:
        return [DASH, DASH, DASH]
    residual = f"{100.0 * signal.residual_rel:+.1f} ± {100.0 * signal.half_rel:.1f}".replace("-", MINUS)
    return [f"{signal.speed_m_s:.3f}", f"{signal.factor:.4f}", residual]


def _reference(reference: Reference, letter: str) -> dict[str, str]:
    terms = "; ".join(
        f"{_cut(t.words)} {_span(t.u_rel_least, t.u_rel_most)}\N{NO-BREAK SPACE}%" for t in reference.terms
    )
    return {
        "letter": letter,
        "kind": _cut(reference.kind),
        "points": f"point{'s' if len(reference.points) > 1 else ''} {_numbers(reference.points)}",
        "terms": terms or "no uncertainty stated",
    }


def _conditions(record: Record) -> str:
    air = record.conditions
    temp = "temperature not known" if air.temp_c is None else f"{air.temp_c:.1f} °C".replace("-", MINUS)
    pressure = "pressure not known" if air.pressure_pa is None else f"{air.pressure_pa / 100.0:.0f} hPa"
    humidity = (
        "humidity not known" if air.humidity_rel is None else f"{100.0 * air.humidity_rel:.0f} % relative humidity"
    )
    return f"{temp}, {pressure}, {humidity}"


def _not_for(record: Record) -> list[str]:
    missing = [way for way in ("supply", "extract") if way not in record.directions]
    return [
        "As proof towards others: nobody but the user has checked it.",
        "For flows outside the ranges above; under them or over 1.2 times their end a reading is flagged.",
        *(f"For {way} air: that direction has no calibration of its own." for way in missing),
        "For another hood, or for this one after its vane, pipe, straightener or taps were changed or damaged.",
        f"After {record.due.isoformat()}: calibrate again.",
    ]


def _with_u(value: float, u: float) -> str:
    """Return value ± u, u with two digits, as many decimals for both."""
    if not u > 0.0:
        return f"{value:.6g}".replace("-", MINUS)
    decimals = max(0, 1 - math.floor(math.log10(u)))
    return f"{value:.{decimals}f} ± {u:.{decimals}f}".replace("-", MINUS)


def _percent_up(rel: float) -> str:
    """Return a percentage to one decimal, rounded away from zero: what is promised must hold."""
    return f"{math.ceil(round(1000.0 * rel, 6)) / 10.0:.1f}"


def _inward(flow_m3h: float, *, up: bool) -> str:
    """Return an end of a range in whole m3/h (one decimal under 10), never wider than it is."""
    scale = 1.0 if flow_m3h >= 10.0 else 10.0
    scaled = round(flow_m3h * scale, 6)
    return f"{(math.ceil(scaled) if up else math.floor(scaled)) / scale:.{0 if scale == 1.0 else 1}f}"


def _span(least: float, most: float) -> str:
    low, high = f"{100.0 * least:.2g}", f"{100.0 * most:.2g}"
    return low if low == high else f"{low} to {high}"


def _numbers(numbers: tuple[int, ...]) -> str:
    """Return numbers in words, runs of three or more as "4 to 8"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [[f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(number) for number in run] for run in runs]
    return ", ".join(word for run in words for word in run)


def _letters() -> Iterator[str]:
    """Yield A, B, ... Z, A1, B1, ..."""
    return (f"{letter}{turn or ''}" for turn in itertools.count() for letter in string.ascii_uppercase)


def _cut(words: str, longest: int = _LONGEST_NAME) -> str:
    return words if len(words) <= longest else words[: longest - 1] + "…"
