"""`hoodtrace review VISIT --why ID`: the budget of a reading, its correlation, its channels, its hood, in 80 columns.

Prints what `dwelling.why` gathered; computes nothing but units, roundings and the length of bars.
"""

from __future__ import annotations

import datetime
import json
import math
import sys
from pathlib import Path
from typing import Literal

import typer

from hoodtrace.cli.printable import printable, wrapped
from hoodtrace.dwelling.why import Correlation, Why, why_json
from hoodtrace.dwelling.why_budget import Line
from hoodtrace.dwelling.why_hood import Calibrated, Constant, Earlier, HoodBehind
from hoodtrace.errors import FileError, UsageError
from hoodtrace.wire.whole_file import write_whole

WIDEST = 79
BAR = 12
N_LAGS = 10


def print_why(found: Why, output: Literal["table", "json"] = "table") -> None:
    """Print why a reading is what it is, as text or as one JSON object."""
    if output == "json":
        sys.stdout.write(json.dumps(why_json(found), allow_nan=False, ensure_ascii=False) + "\n")
        return
    _head(found)
    _budget(found)
    if found.correlation is not None:
        _correlation(found.correlation)
    _channels(found)
    _hood(found.hood)


def write_pictures(found: Why, path: Path) -> list[Path]:
    """Write the budget's picture to `path`, the correlation's to a file beside it; return both.

    Raises
    ------
    UsageError
        The name does not end in .svg: another file could be meant.
    FileError
        It can't be written.
    """
    from hoodtrace.reporting.why_picture import budget_picture, correlation_picture

    if path.suffix.lower() != ".svg":
        raise UsageError(f"--picture {path}: the pictures are SVG, so give a name that ends in .svg.")
    beside = path.with_name(f"{path.stem}-correlation{path.suffix}")
    for file, draw in ((path, budget_picture), (beside, correlation_picture)):
        try:
            write_whole(file, draw(found))
        except OSError as error:
            raise FileError(file, f"can't be written ({error.strerror}). Name another place.") from error
    return [path, beside]


def _head(found: Why) -> None:
    if found.flow_m3h is None:
        about = "" if found.estimate_m3h is None else f", about {found.estimate_m3h:.1f} m3/h"
        _say(f"{found.id}, {found.direction}: no reading, {found.refusal}{about}")
    else:
        half = f"± {found.expanded_m3h:.1f} m3/h ({100 * found.confidence:.0f} %)"
        _say(f"{found.id}, {found.direction}: {found.flow_m3h:.1f} m3/h {half}")
    if found.flags:
        _say("; ".join(found.flags), "  ")


def _budget(found: Why) -> None:
    if not found.terms or found.u_flow_m3h is None or found.coverage_factor is None:
        _say("No budget: " + ("nothing in it" if found.refusal is None else "it was refused") + ".")
        return
    typer.echo(f"\n{'budget':<25}{'shared by':<10}{'u m3/h':>8}{'u %':>6}{'share %':>9}{'dof':>7}")
    most = max(abs(line.share) for line in found.terms)
    for line in found.terms:
        typer.echo(_row(line, most))
    dof = "inf" if found.dof is None else f"{found.dof:.1f}"
    share = 100 * math.fsum(line.share for line in found.terms)
    u_rel = "" if not found.flow_m3h else f"{100 * found.u_flow_m3h / found.flow_m3h:.1f}"
    typer.echo(f"{'flow, combined':<25}{'':<10}{found.u_flow_m3h:>8.3f}{u_rel:>6}{share:>9.1f}{dof:>7}")
    scopes = {"reading": "new in each reading", "visit": "shared in the visit", "hood": "shared by the hood"}
    parts = [f"{words} {found.scopes.get(scope, 0.0):.3f}" for scope, words in scopes.items()]
    typer.echo("")
    _say(
        f"Half-width: coverage factor {found.coverage_factor:.3f} (Student's t for {100 * found.confidence:.0f} % and "
        f"{dof} effective degrees of freedom, Welch-Satterthwaite) times {found.u_flow_m3h:.3f} = "
        f"{found.expanded_m3h:.3f} m3/h."
    )
    _say(f"Of the standard uncertainty, m3/h (their squares add up): {', '.join(parts)}.")
    _say(
        "u: contribution to the standard uncertainty of the flow, with sensitivity and the channel's weight in it. "
        "Share: of the variance; a covariance may take away. dof: degrees of freedom, - where taken as known."
    )
    for line in found.terms:
        _say(f"{line.name}: {line.what}", "  ", first="")
    for words in found.not_in:
        _say(f"Mind: {words}", "  ", first="")


def _row(line: Line, most: float) -> str:
    u = "" if line.u_m3h is None else f"{line.u_m3h:.3f}"
    u_rel = "" if line.u_rel is None else f"{100 * line.u_rel:.2f}"
    dof = "" if line.kind == "covariance" else "-" if line.dof is None else f"{line.dof:.1f}"
    bar = ("-" if line.share < 0.0 else "#") * round(BAR * abs(line.share) / most)
    row = f"{line.name:<25}{line.scope:<10}{u:>8}{u_rel:>6}{100 * line.share:>9.1f}{dof:>7}"
    return f"{row}  {bar}".rstrip()


def _correlation(one: Correlation) -> None:
    of = one.of
    typer.echo(f"\n{'lag s':>8}{'measured':>10}{'model':>8}   autocorrelation of the flow by the {one.channel}")
    wanted = [of.lag_s[-1] * i / N_LAGS for i in range(N_LAGS + 1)]
    places = sorted({min(range(len(of.lag_s)), key=lambda i: abs(of.lag_s[i] - lag)) for lag in wanted})
    for at in places:
        bar = ("#" if of.r[at] >= 0.0 else "-") * round(40 * abs(of.r[at]))
        typer.echo(f"{of.lag_s[at]:>8.2f}{of.r[at]:>10.2f}{of.model[at]:>8.2f}   {bar}".rstrip())
    _say(
        f"Correlation {of.correlation_s:.2f} s (integral of the autocorrelation from zero to infinity) in "
        f"{one.used_s:.1f} s of record: N/g {one.n_over_g:.1f}, as many independent looks. The model is the "
        f"exponential of the same integral. Where nothing is left, chance alone puts 95 % of the measured ones within "
        f"±{of.band_95:.2f} of a level that is {1 / one.n_over_g:.2f} under 0, since the record's own mean is taken "
        "off."
    )


def _channels(found: Why) -> None:
    one = found.channels
    typer.echo("")
    rows = (("vane", one.vane_m3h, one.u_vane_m3h), ("taps", one.taps_m3h, one.u_taps_m3h))
    share = one.share_vane
    for name, flow, u in (*rows, ("vane less taps", one.apart_m3h, one.u_apart_m3h)):
        if flow is None or u is None:
            continue
        weight = "" if share is None or "less" in name else f", weight {share if name == 'vane' else 1 - share:.2f}"
        alone = "" if "less" in name else " with the air's fluctuation"
        _say(f"{name}: {flow:.2f} m3/h, u {u:.2f} m3/h{alone}{weight}")
    if one.apart_m3h is not None and one.weighted_m3h is not None:
        _say(
            f"Weighted, the plain means give {one.weighted_m3h:.2f} m3/h; the flow above is the estimate of the "
            "long-run mean, which weighs the parts of the record by its correlation. The u of the difference leaves "
            "out what both share.",
        )
    _say(f"Channels: {one.verdict}.")


def _hood(one: HoodBehind) -> None:
    typer.echo("")
    _say(f"Hood: {one.name}, file with SHA-256 {one.sha256[:16]}...")
    _say(_calibrated(one.calibration), "  ")
    if one.range_m3h is not None:
        _say(f"Calibrated range: {one.range_m3h[0]:g} to {one.range_m3h[1]:g} m3/h.", "  ")
    _say("; ".join(_constant(each) for each in one.constants) + ".", "  ")
    for each in one.before:
        _say(_earlier(each), "    ", first="  ")
    if one.in_this_visit:
        typer.echo(f"\n{'vane over taps':<20}{'time, UTC':<18}{'':<9}{'flow m3/h':>10}{'ratio':>8}{'u':>7}")
        for row in one.in_this_visit:
            time = "-" if row.utc_s is None else _utc(row.utc_s)
            name = printable(row.id) + (" *" if row.this else "")
            numbers = f"{row.flow_m3h:>10.1f}{row.ratio:>8.3f}{row.u_ratio:>7.3f}"
            typer.echo(f"{name:<20}{time:<18}{row.direction:<9}{numbers}")
    _say(f"In this visit: {one.verdict}.")
    _say("All visits: hoodtrace hood HOOD.toml --history FOLDER.")


def _calibrated(one: Calibrated | None) -> str:
    if one is None:
        return "The hood file says nothing of a calibration."
    late = {True: ": OVERDUE at this reading", False: ", not yet due at this reading", None: ""}[one.overdue]
    return f"Calibrated {one.date}, due {one.due}{late}; {one.made_by}. Method: {one.method}."


def _constant(one: Constant) -> str:
    unit = "" if one.unit == "1" else f" {one.unit}"
    dof = "" if one.dof is None else f", {one.dof:.3g} degrees of freedom"
    if one.name == "placement":
        return f"placement u {one.u:.2g} of the flow{dof}"
    return f"{one.name} {one.value:.5g}" + ("" if one.u is None else f" (u {one.u:.2g}{dof})") + unit


def _earlier(one: Earlier) -> str:
    named = "the one of this hood file" if one.named else "another one"
    head = f"Calibration record {one.file} ({named}): {one.state}"
    if one.date is None:
        return f"{head}."
    lines = ", ".join(f"{x.symbol} {x.value:.4f} (u {100 * x.u_rel:.2f} %, {x.direction})" for x in one.lines)
    return f"{head}; {one.date}, {one.n_points} points: {lines}."


def _utc(utc_s: float) -> str:
    return f"{datetime.datetime.fromtimestamp(utc_s, datetime.UTC):%Y-%m-%d %H:%M}"


def _say(text: str, indent: str = "", first: str | None = None) -> None:
    typer.echo(wrapped(text, indent, first, WIDEST))
