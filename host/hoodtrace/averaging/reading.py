"""From observed plateaus to readings: one flow with an honest interval each, or a refusal that carries the estimate."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from hoodtrace.averaging.budget import Term, Total, dof_of, total, weights
from hoodtrace.averaging.channels import Channel, Observed, short_means
from hoodtrace.averaging.frames import FloatArray
from hoodtrace.averaging.mean import N_BLOCKS, NORMAL_95, Means, means
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import FURTHEST, NEAREST, Hood
from hoodtrace.physics.vane import RESPONSE_LENGTH_RANGE_M, over_reading_rel
from hoodtrace.units import m3h

FEWEST_N_OVER_G = 5.0
SHORT_N_OVER_G = 10.0
DISAGREE = 2.58
"""Channels further apart than this many standard uncertainties of their difference disagree (99 %)."""
SHORT_REL, SHORT_S = 0.15, 20.0
"""In a record far under `SHORT_S` the random part is widened by so much: it can't show slow air, and a hold that ends
because its record looks calm meets that more often (own simulations, tests/bench/figures_hold_time.py)."""
REPEATS_REL = 0.011
"""The two channels of a sound hood repeat no better than this against each other: 1 % from reading to reading and 0.5 %
from visit to visit (own choice)."""
SHORTEST_AIR, LEAST_KEPT = 1.0 / 3.0, 0.1
"""Air that changes faster than this share of the vane's lag is hidden by the vane: a vane alone is not corrected for
more (own choice). A running mean that leaves less than this share of the variance says nothing of the rest."""
LEAST_ZERO_PA = 0.01
"""No zero is taken for better known than this where a cause is looked for."""
MODEL_REL = 0.3
"""Relative standard uncertainty of the over-reading's correction: it takes the air for a single process."""
LEAST_VANE_REL = 0.001
"""What the counting of unevenly spaced edges may leave (own estimate)."""


@dataclass(frozen=True, slots=True)
class Together:
    """What two channels of one plateau say of each other; flows in m3/s.

    `share_vane` is the vane's weight in the flow, `rhythm` whose record told the air's correlation. The means stand
    `u_apart_m3_s` apart (standard uncertainty) by what each has for itself and by how well a hood repeats; of that
    `u_random_m3_s` is new in each reading, `u_zero_m3_s` the taps' zero.
    """

    share_vane: float
    rhythm: Literal["vane", "taps"]
    u_apart_m3_s: float
    u_random_m3_s: float
    u_zero_m3_s: float


@dataclass(frozen=True, slots=True)
class Averaged:
    """A plateau's flow: values in m3/s, times in s. `refusal` says why no reading may be made of it, else None."""

    flow_m3_s: float
    total: Total
    u_random_m3_s: float
    expanded_random_m3_s: float
    fluctuation_rel: float
    correlation_s: float
    n_over_g: float
    direction: str
    vane_m3_s: float | None
    u_vane_m3_s: float | None
    taps_m3_s: float | None
    u_taps_m3_s: float | None
    used_s: float
    terms: tuple[Term, ...]
    flags: tuple[str, ...]
    refusal: str | None
    air: Air | None = None
    together: Together | None = None


def average(plateaus: list[Observed], hood: Hood, zero_doubtful: list[bool]) -> list[Averaged]:
    """Average plateaus, all intervals in one go; a plateau's numbers do not depend on which others come along."""
    channels = [c for seen in plateaus for c in (seen.vane, seen.taps) if c is not None]
    owners = [seen for seen in plateaus for c in (seen.vane, seen.taps) if c is not None]
    alone = _means([(c.series_m3_s, seen.dt_s) for c, seen in zip(channels, owners, strict=True)])
    drafts: list[_Draft | None] = []
    at = 0
    for seen in plateaus:
        mine: list[_One] = []
        for channel in (seen.vane, seen.taps):
            mine.append(_One(channel, alone[at] if channel is not None else None))
            at += channel is not None
        drafts.append(_combine(seen, hood, *mine))
    out = []
    for seen, one, doubtful in zip(plateaus, drafts, zero_doubtful, strict=True):
        if one is None or one.mean is None:
            why = (
                "air reverses"
                if seen.reverses
                else ("taps over range" if "taps over range" in seen.flags else "too slow")
            )
            out.append(_nothing(seen, why))
        else:
            out.append(_finished(one, one.mean, hood, doubtful))
    return out


@dataclass(frozen=True, slots=True)
class _Mean:
    mean: float
    u: float
    half_width: float
    correlation_s: float
    n_over_g: float

    def times(self, factor: float) -> _Mean:
        """Return the mean of the same record in another scale."""
        return replace(self, mean=self.mean * factor, u=self.u * factor, half_width=self.half_width * factor)

    def with_noise(self, u: float) -> _Mean:
        """Return the mean with independent noise of standard deviation `u` added."""
        return replace(self, u=math.hypot(self.u, u), half_width=math.hypot(self.half_width, NORMAL_95 * u))


@dataclass(frozen=True, slots=True)
class _One:
    channel: Channel | None
    mean: _Mean | None

    @property
    def channel_m3_s(self) -> float:
        """The channel's flow as it came, before corrections."""
        return self.channel.mean_m3_s if self.channel is not None else math.nan


@dataclass(slots=True)
class _Draft:
    """Both channels combined; `mean` is that of the air they share, in the scale of the combined flow."""

    seen: Observed
    share_vane: float
    vane: Channel | None
    taps: Channel | None
    u_vane_m3_s: float | None
    u_taps_m3_s: float | None
    flags: list[str]
    apart_m3_s: float
    mean: _Mean | None
    together: Together | None = None


def _means(records: list[tuple[FloatArray, FloatArray]]) -> list[_Mean]:
    """Return the honest mean of each (series, duration of each value)."""
    out: list[_Mean | None] = [None] * len(records)
    counts = [_n_blocks(len(series)) for series, _ in records]
    for m in sorted(set(counts)):
        mine = [i for i, n in enumerate(counts) if n == m]
        blocks = np.stack([_blocks(*records[i], m) for i in mine])
        variance = np.array([_variance(*records[i]) for i in mine])
        length_s = np.array([records[i][1].sum() for i in mine])
        found: Means = means(blocks, variance, length_s)
        for row, i in enumerate(mine):
            block_s = float(length_s[row]) / m
            wider = 1.0 + SHORT_REL / (1.0 + (float(length_s[row]) / SHORT_S) ** 4)
            out[i] = _Mean(
                float(found.mean[row]),
                wider * float(found.u[row]),
                wider * float(found.half_width[row]),
                float(found.correlation_blocks[row]) * block_s,
                float(found.n_over_g[row]),
            )
    return [mean for mean in out if mean is not None]


def _n_blocks(n: int) -> int:
    """Return into how many blocks a record of `n` values is cut: 60, fewer for a decimated one."""
    return N_BLOCKS if n >= 2 * N_BLOCKS else max(10, N_BLOCKS // 2 if n >= N_BLOCKS else 10)


def _blocks(series: FloatArray, dt_s: FloatArray, m: int) -> FloatArray:
    """Means over `m` blocks of equal time; a block in which no value has its middle repeats the one before."""
    ends = np.cumsum(dt_s)
    which = np.minimum(((ends - 0.5 * dt_s) * (m / ends[-1])).astype(np.int64), m - 1)
    weight = np.bincount(which, dt_s, minlength=m)
    total_flow = np.bincount(which, dt_s * series, minlength=m)
    filled = weight > 0.0
    at = np.maximum.accumulate(np.where(filled, np.arange(m), 0))
    first = int(np.argmax(filled))
    at = np.maximum(at, first)
    blocks: FloatArray = (total_flow / np.where(filled, weight, 1.0))[at]
    return blocks


def _variance(series: FloatArray, dt_s: FloatArray) -> float:
    mean = np.sum(series * dt_s) / np.sum(dt_s)
    return float(np.sum((series - mean) ** 2 * dt_s) / np.sum(dt_s))


def _combine(seen: Observed, hood: Hood, vane: _One, taps: _One) -> _Draft | None:
    """Correct the vane, weigh the channels, look whether they agree; None where neither says anything."""
    v = _corrected(seen, hood, vane)
    t = taps.channel
    flags = list(seen.flags)
    u_v = _u_alone(v, vane.mean)
    u_t = _u_alone(t, taps.mean)
    if v is None and t is None:
        return None
    if v is None or t is None:
        one = v if v is not None else t
        if one is None:
            return None
        if v is None and hood.vane is not None and not seen.reverses:
            flags.append("vane below its start speed")
        if t is None and hood.taps is not None and not {"taps over range", "taps not valid"} & set(flags):
            flags.append("taps say nothing")
        alone = vane.mean if v is not None else taps.mean
        ratio = one.mean_m3_s / (vane if v is not None else taps).channel_m3_s
        mean = alone.times(ratio) if alone is not None else None
        draft = _Draft(seen, 1.0 if v is not None else 0.0, v, t, u_v, u_t, flags, 0.0, mean)
        _look_for_a_standing_channel(draft, hood)
        return draft
    shared = hood.r_k_c * v.u_scale_m3_s * t.u_scale_m3_s
    noise = _own_noise(v, t, seen)
    u_own_t = math.hypot(t.u_systematic_m3_s, noise)
    share, _ = weights(v.u_systematic_m3_s, u_own_t, shared)
    apart = v.mean_m3_s - t.mean_m3_s
    u_own = math.sqrt(max(v.u_systematic_m3_s**2 + u_own_t**2 - 2.0 * shared, 0.0))
    u_apart = math.hypot(u_own, REPEATS_REL * v.mean_m3_s)
    excess = 0.0
    if abs(apart) > DISAGREE * u_apart:
        cause, trust_vane = _likely_cause(seen, apart, v, t, hood)
        flags.append(f"channels disagree: {cause}")
        share = 1.0 if trust_vane else 0.0
        excess = abs(apart)
    mean, rhythm = _common(v, t, vane.mean, taps.mean, share, noise)
    together = Together(share, rhythm, u_apart, noise, t.u_own_m3_s.get("zero", 0.0))
    return _Draft(seen, share, v, t, u_v, u_t, flags, excess, mean, together)


def _common(
    v: Channel, t: Channel, mean_v: _Mean | None, mean_t: _Mean | None, share: float, noise_m3_s: float
) -> tuple[_Mean | None, Literal["vane", "taps"]]:
    """Return the mean of the air that both channels carry, and the channel that shows its rhythm better, which gave it.

    The taps follow the air at once but bring the chip's noise; the vane smooths it and so hides its rhythm. With the
    vane's record the noise enters with the taps' share of the weight.
    """
    if mean_v is None or mean_t is None:
        return None, "taps"
    flow = share * v.mean_m3_s + (1.0 - share) * t.mean_m3_s
    by_taps = mean_t.times(flow / t.mean_m3_s)
    by_vane = mean_v.times(flow / v.mean_m3_s)
    by_vane = by_vane.with_noise((1.0 - share) * noise_m3_s)
    return (by_taps, "taps") if by_taps.half_width < by_vane.half_width else (by_vane, "vane")


def _corrected(seen: Observed, hood: Hood, vane: _One) -> Channel | None:
    """Return the vane's channel without its over-reading in fluctuating air."""
    channel, mean = vane.channel, vane.mean
    table = hood.vane_for(seen.direction)
    if channel is None or mean is None or table is None:
        return channel
    counting = LEAST_VANE_REL * channel.mean_m3_s

    def excess_rel(length_m: float) -> float:
        lag_s = length_m / seen.speed_m_s
        # The vane's own series is correlated for as long as the air and the lag together.
        if seen.taps is not None:
            air_s = max(mean.correlation_s - lag_s, 0.1 * mean.correlation_s)
            return over_reading_rel(seen.turbulence_rel, seen.speed_m_s, length_m, air_s)
        vane_s, kept = unsmoothed(mean.correlation_s, seen.window_s)
        air_s = max(vane_s - lag_s, SHORTEST_AIR * lag_s)
        index = seen.turbulence_rel * math.sqrt((1.0 + lag_s / air_s) / kept)
        return over_reading_rel(index, seen.speed_m_s, length_m, air_s)

    if table.response_length_m is not None:
        excess = excess_rel(table.response_length_m)
        flow = channel.mean_m3_s / (1.0 + excess)
        own = {"vane response": MODEL_REL * excess * flow}
    else:
        flow = channel.mean_m3_s
        least, most = (excess_rel(length) for length in RESPONSE_LENGTH_RANGE_M)
        # Anything from nothing to the most: the error has one sign, so its mean square counts, not its variance.
        own = {"vane response": flow * math.sqrt((least**2 + least * most + most**2) / 3.0)}
    own["counting"] = counting
    scale = flow / channel.mean_m3_s
    return Channel(channel.series_m3_s * scale, flow, channel.u_scale_m3_s * scale, own, channel.dof_scale)


def unsmoothed(correlation_s: float, window_s: float) -> tuple[float, float]:
    """Return what a running mean did to an exponentially correlated record: its correlation without, variance kept.

    Parameters
    ----------
    correlation_s : float
        Integrated correlation of the smoothed record, s.
    window_s : float
        Length of the running mean, s; 0: none.

    Returns
    -------
    tuple of float
        The record's own integrated correlation, s, and the share of its variance that is left.

    References
    ----------
    Own derivation: the mean over T of a process with correlation exp(-t/tau) has 2 (tau/T)^2 (T/tau - 1 + exp(-T/tau))
    of its variance, and smoothing leaves the product of variance and integrated correlation alone.

    Examples
    --------
    >>> unsmoothed(0.8, 0.0)
    (0.8, 1.0)
    >>> tau_s, kept = unsmoothed(1.3591409, 1.0)
    >>> round(tau_s, 3), round(kept, 3)
    (1.0, 0.736)
    """
    tau_s, kept = correlation_s, 1.0
    for _ in range(50):
        r = window_s / max(tau_s, 1e-9)
        if r < 1e-6:
            break
        kept = max(2.0 * (r - 1.0 + math.exp(-r)) / r**2, LEAST_KEPT)
        tau_s = correlation_s * kept
    return tau_s, kept


def _u_alone(channel: Channel | None, mean: _Mean | None) -> float | None:
    if channel is None or mean is None:
        return None
    return math.hypot(channel.u_systematic_m3_s, mean.u)


def _own_noise(vane: Channel, taps: Channel, seen: Observed) -> float:
    """Standard deviation of the difference of the channels' means: what is not the air's own, m3/s."""
    apart = taps.series_m3_s - vane.series_m3_s
    each, _ = short_means(apart, 20)
    if len(each) < 2:
        return 0.0
    return float(np.std(each, ddof=1)) / math.sqrt(len(each))


def _likely_cause(seen: Observed, apart_m3_s: float, vane: Channel, taps: Channel, hood: Hood) -> tuple[str, bool]:
    """Return the likely cause of a disagreement and whether the vane is to be trusted.

    Each cause is as unlikely as the error it needs is large against its own uncertainty; a moved zero must be clearly
    the likeliest, for it was found again before the hold.
    """
    # The zero error that would explain it: q ~ sqrt(dp), so the dp wanted goes with the square of the vane's flow.
    wanted_pa = abs(seen.dp_mean_pa * ((vane.mean_m3_s / taps.mean_m3_s) ** 2 - 1.0))
    u_zero_pa = max(hood.taps.u_zero_pa if hood.taps is not None else 0.0, LEAST_ZERO_PA)
    accused = taps if apart_m3_s > 0.0 else vane
    by_scale = abs(apart_m3_s) / max(accused.u_scale_m3_s, 0.01 * accused.mean_m3_s)
    if 2.0 * wanted_pa / u_zero_pa < by_scale:
        return "zero moved", True
    if apart_m3_s > 0.0:
        return "tap blocked or tube off", True
    return "vane drags or is fouled", False


def _look_for_a_standing_channel(draft: _Draft, hood: Hood) -> None:
    """Flag a channel that says nothing although the other one says that it should."""
    seen = draft.seen
    if draft.taps is not None and hood.vane is not None and not seen.reverses:
        start = hood.start_flow_m3_s(seen.direction)
        if start is not None and draft.taps.mean_m3_s > 1.5 * start:
            draft.flags.append("channels disagree: vane drags or is fouled")
    if (
        draft.vane is not None
        and "taps say nothing" in draft.flags
        and draft.vane.mean_m3_s > 2.0 * seen.taps_limit_m3_s
    ):
        draft.flags.append("channels disagree: tap blocked or tube off")


def _finished(draft: _Draft, mean: _Mean, hood: Hood, zero_doubtful: bool) -> Averaged:
    """Put the budget together and decide whether it is a reading."""
    seen = draft.seen
    rest = 1.0 - draft.share_vane
    flow = mean.mean
    random_dof = dof_of(mean.half_width / mean.u) if mean.u > 0.0 else math.inf
    u_random = mean.u if random_dof < math.inf else mean.half_width / NORMAL_95
    terms = [Term("fluctuation of the air", u_random, random_dof, "reading")]
    if draft.vane is not None and draft.share_vane > 0.0:
        k = draft.vane
        terms.append(Term("k-factor", draft.share_vane * k.u_scale_m3_s, k.dof_scale, "hood"))
        terms += [Term(n, draft.share_vane * u, math.inf, "hood") for n, u in draft.vane.u_own_m3_s.items()]
    if draft.taps is not None and rest > 0.0:
        terms.append(Term("taps' coefficient", rest * draft.taps.u_scale_m3_s, draft.taps.dof_scale, "hood"))
        terms += [Term(n, rest * u, math.inf, "visit") for n, u in draft.taps.u_own_m3_s.items()]
    if draft.apart_m3_s:
        terms.append(Term("channels apart", draft.apart_m3_s / math.sqrt(3.0), math.inf, "visit"))
    if hood.placement is not None:
        terms.append(Term("placement", hood.placement.u_rel * flow, hood.placement.dof or math.inf, "reading"))
    else:
        draft.flags.append("placement not tested")
    if zero_doubtful and draft.taps is not None:
        draft.flags.append("zero doubtful")
    if seen.direction == "unknown" or not hood.calibrated_for(seen.direction):
        draft.flags.append("direction unknown" if seen.direction == "unknown" else "direction not calibrated")
    if not _in_range(flow, draft, hood):
        draft.flags.append("outside the calibration")
    if FEWEST_N_OVER_G <= mean.n_over_g < SHORT_N_OVER_G:
        draft.flags.append("short")
    refusal = "too short" if mean.n_over_g < FEWEST_N_OVER_G else None
    if flow <= 0.0:
        refusal = "not steady"
    return Averaged(
        flow,
        total(tuple(terms), 0.0, ("k-factor", "taps' coefficient"), hood.r_k_c),
        u_random,
        mean.half_width,
        seen.turbulence_rel,
        mean.correlation_s,
        mean.n_over_g,
        seen.direction,
        draft.vane.mean_m3_s if draft.vane is not None else None,
        draft.u_vane_m3_s,
        draft.taps.mean_m3_s if draft.taps is not None else None,
        draft.u_taps_m3_s,
        seen.used_s,
        tuple(term for term in terms if term.u_m3_s > 0.0),
        tuple(dict.fromkeys(draft.flags)),
        refusal,
        seen.air,
        draft.together,
    )


def _in_range(flow_m3_s: float, draft: _Draft, hood: Hood) -> bool:
    """Whether the flow is one for which the channels that count were calibrated; a hood file may not say."""
    vane, taps = hood.vane_for(draft.seen.direction), hood.taps_for(draft.seen.direction)
    ranges = [
        vane.range_m3h if vane is not None and draft.share_vane > 0.0 else None,
        taps.range_m3h if taps is not None and draft.share_vane < 1.0 else None,
    ]
    return all(NEAREST * ends[0] <= m3h(flow_m3_s) <= FURTHEST * ends[1] for ends in ranges if ends is not None)


def _nothing(seen: Observed, why: str) -> Averaged:
    return replace(
        nothing_seen(),
        flow_m3_s=seen.limit_m3_s,
        direction=seen.direction,
        used_s=seen.used_s,
        flags=seen.flags,
        refusal=why,
    )


def nothing_seen() -> Averaged:
    """Return the refusal of a plateau with no two samples in a row."""
    nothing = Total(0.0, math.inf, 0.0)
    return Averaged(
        math.nan, nothing, 0.0, 0.0, 0.0, 0.0, 0.0, "unknown", None, None, None, None, 0.0, (), (), "too short"
    )
