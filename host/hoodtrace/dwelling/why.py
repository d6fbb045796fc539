"""Why a reading is what it is: its budget, the correlation of its air, its two channels, the hood behind it.

`why` gathers what the averaging decided and works nothing out anew but the autocorrelation, which is for looking at:
the numbers are those of `hoodtrace readings`. `why_json` gives it to pages and programs. A refused reading has an
estimate and no uncertainty, so no budget; the rest is there as far as it goes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.averaging.budget import coverage_factor
from hoodtrace.averaging.mean import CONFIDENCE
from hoodtrace.averaging.reading import DISAGREE, Averaged
from hoodtrace.averaging.session import Outcome
from hoodtrace.dwelling.autocorrelation import Autocorrelation, autocorrelation
from hoodtrace.dwelling.why_budget import Line, by_scope, lines, missing
from hoodtrace.dwelling.why_hood import Beside as Beside
from hoodtrace.dwelling.why_hood import HoodBehind, hood_behind
from hoodtrace.units import m3h

if TYPE_CHECKING:
    from hoodtrace.averaging.kept import Chosen, KeptTrace

DIGITS = 6
"""Decimals of a number in JSON, as in the rows of `hoodtrace readings`."""


@dataclass(frozen=True, slots=True)
class Correlation:
    """The autocorrelation of the channel whose record gave `correlation_s`, and the looks that the record is worth.

    `n_over_g` is the record's time over twice the correlation.
    """

    channel: str
    n_over_g: float
    used_s: float
    of: Autocorrelation


@dataclass(frozen=True, slots=True)
class Channels:
    """Both channels of a reading; None where one says nothing.

    `apart_m3h` is vane less taps. Its standard uncertainty `u_apart_m3h` leaves out what they share (the air's own
    fluctuation, the covariance of k and c) and has how well a hood repeats in it, as the averaging judges it;
    `share_vane` is the vane's weight in the flow; `weighted_m3h` the plain means with these weights. The flow itself is
    the estimate of the long-run mean, which weighs the record's parts by its correlation, so it may differ a little.
    """

    vane_m3h: float | None
    u_vane_m3h: float | None
    taps_m3h: float | None
    u_taps_m3h: float | None
    apart_m3h: float | None
    u_apart_m3h: float | None
    share_vane: float | None
    weighted_m3h: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class Why:
    """All that explains one reading; see `Line`, `Correlation`, `Channels`, `HoodBehind`.

    `dof` are the effective degrees of freedom (None: infinite) by Welch and Satterthwaite (see `budget.total`),
    `coverage_factor` Student's t for them. `scopes` is the standard uncertainty of what is new in each reading, shared
    in the visit, shared by the hood. `refusal` says why it is no reading, else None; then flow, uncertainty and budget
    are missing, and `estimate_m3h` is there if any is.
    """

    id: str
    refusal: str | None
    direction: str
    flags: tuple[str, ...]
    flow_m3h: float | None
    estimate_m3h: float | None
    u_flow_m3h: float | None
    expanded_m3h: float | None
    coverage_factor: float | None
    confidence: float
    dof: float | None
    n_over_g: float
    terms: tuple[Line, ...]
    scopes: dict[str, float]
    not_in: tuple[str, ...]
    correlation: Correlation | None
    channels: Channels
    hood: HoodBehind


def why(
    kept: KeptTrace,
    chosen: Chosen | Outcome,
    name: str,
    hood_file: Path,
    hood_sha256: str,
    others: Sequence[Beside] = (),
) -> Why:
    """Return what explains a reading.

    Parameters
    ----------
    kept : KeptTrace
        The trace that the reading is from.
    chosen : Chosen or Outcome
        The window; an outcome is taken as it is, a window is averaged first.
    name : str
        What people call the reading, such as "01:3.1".
    hood_file : Path
        Where the hood file lies: calibration records are looked for beside it.
    hood_sha256 : str
        Of the hood file that `kept` was read with.
    others : sequence of Beside
        Other readings of the visit, for the hood's history. One of the same id is left out.

    Raises
    ------
    UsageError
        The window does not fit the trace.
    """
    from hoodtrace.averaging.kept import Chosen

    outcome = chosen if isinstance(chosen, Outcome) else kept.reading(chosen)
    a = outcome.averaged
    this = Beside(name, outcome, kept.utc_s(outcome.boot, outcome.start_us))
    channels = both_channels(a)
    correlation = None
    if a.correlation_s > 0.0:
        t_s, vane, taps, _ = kept.series(Chosen.of(outcome))
        channel = _rhythm(a)
        series = vane if channel == "vane" else taps
        found = autocorrelation(t_s, series, a.correlation_s) if series is not None else None
        correlation = Correlation(channel, a.n_over_g, a.used_s, found) if found is not None else None
    others = [each for each in others if each.id != name]
    is_reading, flow_m3h = a.refusal is None, m3h(a.flow_m3_s) if math.isfinite(a.flow_m3_s) else None
    r_k_c = kept.hood.r_k_c
    return Why(
        name,
        a.refusal,
        a.direction,
        a.flags,
        flow_m3h if is_reading else None,
        None if is_reading else flow_m3h,
        m3h(a.total.u_m3_s) if is_reading else None,
        m3h(a.total.expanded_m3_s) if is_reading else None,
        coverage_factor(a.total.dof) if is_reading else None,
        CONFIDENCE,
        a.total.dof if is_reading and a.total.dof < math.inf else None,
        a.n_over_g,
        lines(a, r_k_c) if is_reading else (),
        by_scope(a, r_k_c) if is_reading else {},
        missing(a) if is_reading else (),
        correlation,
        channels,
        hood_behind(kept.hood, hood_sha256, hood_file, this, others, channels.share_vane),
    )


def both_channels(a: Averaged) -> Channels:
    """Return how the channels of a reading stand to each other."""
    flows = (a.vane_m3_s, a.u_vane_m3_s, a.taps_m3_s, a.u_taps_m3_s)
    vane, u_vane, taps, u_taps = (None if flow is None else m3h(flow) for flow in flows)
    says = [flag.partition(": ")[2] for flag in a.flags if flag.startswith("channels disagree")]
    if vane is None or taps is None or a.together is None:
        share = 1.0 if vane is not None else 0.0 if taps is not None else None
        alone = "the vane" if vane is not None else "the taps" if taps is not None else ""
        words = f"only {alone} counts: nothing to compare with" if alone else "neither channel says anything"
        if says:
            words += f"; but the other one should say something: {says[0]}"
        return Channels(vane, u_vane, taps, u_taps, None, None, share, vane if vane is not None else taps, words)
    apart, u_apart = vane - taps, m3h(a.together.u_apart_m3_s)
    far = abs(apart) / u_apart
    measure = f"{far:.1f} standard uncertainties of their difference apart, {DISAGREE:g} (99 %) are allowed"
    if says:
        used = "the vane" if a.together.share_vane == 1.0 else "the taps"
        words = f"they disagree, {measure}. Likely cause: {says[0]}; {used} alone counts, the gap is in the budget"
    else:
        words = f"they agree, {measure}"
    weighted = a.together.share_vane * vane + (1.0 - a.together.share_vane) * taps
    return Channels(vane, u_vane, taps, u_taps, apart, u_apart, a.together.share_vane, weighted, words)


def why_json(found: Why) -> dict[str, Any]:
    """Return `found` as JSON can say it: no NaN, six decimals, the correlation flat."""
    out: dict[str, Any] = _plain(asdict(found))
    if out["correlation"] is not None:
        out["correlation"] |= out["correlation"].pop("of")
    return out


def _rhythm(a: Averaged) -> str:
    if a.together is not None:
        return a.together.rhythm
    return "vane" if a.vane_m3_s is not None else "taps"


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, DIGITS) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    return value
