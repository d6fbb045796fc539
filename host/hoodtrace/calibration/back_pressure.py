"""The flow that a terminal has with no hood on it: from readings at two or more resistances, or estimated.

`two_resistances` fits q^(1/n) as a straight line over the pressure in front of the terminal and reads it at no pressure
at all. It gives a `Correction`, or a `Refusal` that says why and what to do: the fan holds the flow, the pressure
hardly changed, the terminal itself changed. `estimated` needs only one reading and a stated branch pressure, and is
called an estimate. A scale error that all readings share is not amplified; what is new in each reading is.

References: own derivation from q = B (P0 - dp)^n; JCGM 100:2008 (GUM) 5.1.2 and G.4.1 for the uncertainty. That 20 to
150 Pa lie behind the valve of a fan system is remembered, not read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import chdtrc

from hoodtrace.averaging.budget import Term, Total, total
from hoodtrace.averaging.frames import FloatArray
from hoodtrace.physics.resistance import kept_share

BRANCH_EXPONENTS = (0.5, 0.65)
"""Range of n in q = B (P0 - dp)^n: a valve alone, to one behind long smooth ducts (common practice, no source)."""
CLEAR_CHANGE = 5.0
"""Standard uncertainties of its change that the pressure must change by (own choice)."""
CLEAR_FALL = 2.0
"""Standard uncertainties that the flow must fall by to be said to fall."""
ONE_SIDED_95 = 1.645
HIGHEST_BRANCH_PA = 150.0
WELL_RESTRICTED = 5.0
"""Times the open hood's pressure that a restriction is best made (own simulations)."""
ODD = 0.05
"""Residuals less likely than this are said to be odd."""
HOLDS = "the fan holds this flow: no correction is needed and none can be found"


@dataclass(frozen=True, slots=True)
class Opening:
    """One reading of the terminal at one opening of the hood's outlet.

    `flow_m3_s` with the random relative standard uncertainties `u_flow_rel` (of the hood: placement; degrees of
    freedom `dof_flow`) and `u_air_rel` (of the air, which moves flow and pressure together; `dof_air`); `dp_pa` the
    pressure in front of the terminal, > 0 both for supply and extract, with its own random standard uncertainty.
    """

    name: str
    flow_m3_s: float
    u_flow_rel: float
    dp_pa: float
    u_dp_pa: float
    u_air_rel: float = 0.0
    dof_flow: float = math.inf
    dof_air: float = math.inf


@dataclass(frozen=True, slots=True)
class Shared:
    """An error that openings share: what one standard uncertainty of it does to each one's flow and pressure."""

    name: str
    flows_m3_s: tuple[float, ...]
    dps_pa: tuple[float, ...]
    dof: float = math.inf
    scope: str = "hood"


@dataclass(frozen=True, slots=True)
class Exponent:
    """n of the branch with its standard uncertainty; by default anything in `BRANCH_EXPONENTS`."""

    n: float = sum(BRANCH_EXPONENTS) / 2.0
    u: float = (BRANCH_EXPONENTS[1] - BRANCH_EXPONENTS[0]) / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class Correction:
    """A flow with the hood on, the same with no hood, and what is known of the branch.

    `kind` is "two resistances" or "estimate". `branch_pa` (inf: the flow did not fall) is the pressure available to the
    branch, `residual_rel` the openings' distances from the line, relative to the flow, `p_value` their chance.
    """

    kind: str
    with_hood_m3_s: float
    no_hood_m3_s: float
    total: Total
    terms: tuple[Term, ...]
    branch_pa: float
    u_branch_pa: float
    residual_rel: tuple[float, ...]
    p_value: float | None
    flags: tuple[str, ...]

    @property
    def lost_rel(self) -> float:
        """Part of the terminal's own flow that the hood takes away."""
        return 1.0 - self.with_hood_m3_s / self.no_hood_m3_s


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why there is no correction: `kind` is "held", "small change", "rose" or "too much"; `words` say what to do."""

    kind: str
    words: str


def two_resistances(
    openings: Sequence[Opening], shared: Sequence[Shared] = (), exponent: Exponent | None = None
) -> Correction | Refusal:
    """Return the un-hooded flow from readings of one terminal at two or more openings of the hood's outlet.

    Parameters
    ----------
    openings : sequence of Opening
        At least two; the first is the hood as it is, and the flow "with the hood on".
    shared : sequence of Shared
        Errors that the openings share, in their order.
    exponent : Exponent
        Of the branch.

    Raises
    ------
    ValueError
        Fewer than two openings, or a flow or pressure that is not positive.
    """
    branch = exponent if exponent is not None else Exponent()
    q = np.array([o.flow_m3_s for o in openings])
    dp = np.array([o.dp_pa for o in openings])
    if len(openings) < 2 or not (np.all(q > 0.0) and np.all(dp > 0.0)):
        raise ValueError("two openings with flow and pressure over zero are needed")
    too_little = _too_little(openings)
    if too_little is not None:
        return too_little
    weights = _weights(openings, 1.0 / branch.n)

    def found(flow: FloatArray, pressure: FloatArray, n: float) -> FloatArray:
        """Flow with no hood, and one over the branch pressure."""
        level, slope = _line(flow, pressure, weights, 1.0 / n)
        # A line that rises so steeply as to give no flow at all is refused below, by its sign.
        level = max(level, 1e-3 * float(flow.min()) ** (1.0 / n))
        return np.array([level**n, slope / level])

    no_hood, per_pa = found(q, dp, branch.n)
    moves = _moves(found, q, dp, branch, openings, shared)
    u_per_pa = math.hypot(*(float(move[1]) for _, move in moves))
    near, far = float(dp.min()), float(dp.max())
    fall, u_fall = (each * branch.n * (far - near) / (1.0 - min(per_pa * near, 0.9)) for each in (per_pa, u_per_pa))
    if fall < -CLEAR_FALL * u_fall:
        return Refusal("rose", _rose_words(fall, u_fall))
    least = branch.n * (far - near) / (max(HIGHEST_BRANCH_PA, 2.0 * far) - near)
    flags: list[str] = []
    if fall < CLEAR_FALL * u_fall:
        if fall + ONE_SIDED_95 * u_fall < least:
            return Refusal("held", _held_words(fall, u_fall, near, far))
        flags.append("the fan may hold this flow")
    terms = [Term(t.name, abs(float(move[0])), t.dof, t.scope) for t, move in moves]
    chance, residual = None, np.zeros(len(q))
    if len(openings) > 2:
        chance, stretch, residual = _residual(openings, q, dp, weights, 1.0 / branch.n)
        if chance < ODD:
            flags.append("openings not on one line")
            terms = [Term(t.name, t.u_m3_s * stretch, t.dof, t.scope) if t.scope == "reading" else t for t in terms]
    if far < 3.0 * near:
        flags.append("restricted little")
    kept = tuple(t for t in terms if t.u_m3_s > 1e-6 * no_hood)
    return Correction(
        "two resistances",
        float(q[0]),
        float(no_hood),
        total(kept),
        kept,
        1.0 / per_pa if per_pa > 0.0 else math.inf,
        u_per_pa / per_pa**2 if per_pa > 0.0 else math.inf,
        tuple(residual.tolist()),
        chance,
        tuple(flags),
    )


def estimated(
    with_hood_m3_s: float,
    u_rel: float,
    dof: float,
    dp_pa: float,
    u_dp_pa: float,
    branch_pa: float,
    u_branch_pa: float,
    exponent: Exponent | None = None,
) -> Correction | Refusal:
    """Return the un-hooded flow from one reading, the hood's own pressure and a stated branch pressure.

    Parameters
    ----------
    with_hood_m3_s, u_rel, dof : float
        The reading, its relative standard uncertainty and its degrees of freedom.
    dp_pa, u_dp_pa : float
        Pressure in front of the terminal with the hood on, from that same reading by the hood's law: it goes with the
        flow squared (near enough), so an error of the reading counts in it too. The uncertainty is the law's own.
    branch_pa, u_branch_pa : float
        Pressure available to the branch, as somebody states it.

    Examples
    --------
    >>> found = estimated(68.2288239221013 / 3600, 0.01, 50.0, 1.1637931034, 0.02, 6.75, 0.5, Exponent(0.5, 0.0))
    >>> round(found.no_hood_m3_s * 3600, 6)
    75.0
    """
    branch = exponent if exponent is not None else Exponent()
    if dp_pa + 2.0 * math.hypot(u_dp_pa, u_branch_pa * dp_pa / branch_pa) >= branch_pa:
        return Refusal(
            "too much",
            f"the hood takes {dp_pa:.2f} Pa, as much as the {branch_pa:.2f} Pa stated for the branch can be: the two "
            "do not fit together. Correct the branch pressure, or restrict the outlet and use the method of two "
            "resistances",
        )

    def flow(dp: float, p0: float, n: float) -> float:
        return with_hood_m3_s / kept_share(max(dp, 0.0), p0, n)

    middle = flow(dp_pa, branch_pa, branch.n)
    share = dp_pa / branch_pa
    slope = middle * branch.n / (branch_pa * (1.0 - share))  # per Pa of dp
    terms = (
        Term(
            "reading with the hood on", (1.0 + 2.0 * branch.n * share / (1.0 - share)) * u_rel * middle, dof, "reading"
        ),
        Term("pressure of the hood", slope * u_dp_pa, math.inf, "hood"),
        Term("stated branch pressure", slope * share * u_branch_pa, math.inf, "visit"),
        Term("exponent of the branch", abs(math.log1p(-share)) * middle * branch.u, math.inf, "visit"),
    )
    kept = tuple(t for t in terms if t.u_m3_s > 0.0)
    return Correction(
        "estimate", with_hood_m3_s, middle, total(kept), kept, branch_pa, u_branch_pa, (0.0,), None, ("estimate",)
    )


def _line(flow: FloatArray, dp: FloatArray, weights: FloatArray, power: float) -> tuple[float, float]:
    """Return level and fall of flow^power = level - fall * dp, weighted."""
    y = flow**power
    w = weights / weights.sum()
    x_mean, y_mean = float(w @ dp), float(w @ y)
    slope = float(w @ ((dp - x_mean) * (y - y_mean)) / (w @ (dp - x_mean) ** 2))
    return y_mean - slope * x_mean, -slope


def _spread(openings: Sequence[Opening], power: float, slope: float) -> FloatArray:
    """Return the standard uncertainty of each opening's distance from the line, in flow^power."""
    out = []
    for o in openings:
        y = o.flow_m3_s**power
        air = (power * y + 2.0 * slope * o.dp_pa) * o.u_air_rel
        out.append(math.hypot(power * y * o.u_flow_rel, slope * o.u_dp_pa, air))
    return np.array(out)


def _weights(openings: Sequence[Opening], power: float) -> FloatArray:
    """Return effective-variance weights (errors in both axes), equal ones where no uncertainty is given."""
    q = np.array([o.flow_m3_s for o in openings])
    dp = np.array([o.dp_pa for o in openings])
    weights = np.ones(len(openings))
    for _ in range(5):
        _, slope = _line(q, dp, weights, power)
        u = _spread(openings, power, max(slope, 0.0))
        if not np.all(u > 0.0):
            return np.ones(len(openings))
        weights = (u.min() / u) ** 2
    return weights


def _moves(
    found: Callable[[FloatArray, FloatArray, float], FloatArray],
    q: FloatArray,
    dp: FloatArray,
    branch: Exponent,
    openings: Sequence[Opening],
    shared: Sequence[Shared],
) -> list[tuple[Term, FloatArray]]:
    """Return what one standard uncertainty of each error does to what is found, by central differences."""
    small = 1e-3

    def move(dq: FloatArray, ddp: FloatArray, dn: float = 0.0) -> FloatArray:
        up = found(q + small * dq, dp + small * ddp, branch.n + small * dn)
        down = found(q - small * dq, dp - small * ddp, branch.n - small * dn)
        return (up - down) / (2.0 * small)

    out: list[tuple[Term, FloatArray]] = []
    zero = np.zeros(len(q))
    for o, unit in zip(openings, np.eye(len(q)), strict=True):
        own = Term(f"placement, {o.name}", 0.0, o.dof_flow, "reading")
        out.append((own, move(unit * q * o.u_flow_rel, zero)))
        air = Term(f"fluctuation of the air, {o.name}", 0.0, o.dof_air, "reading")
        out.append((air, move(unit * q * o.u_air_rel, unit * 2.0 * dp * o.u_air_rel)))
        out.append((Term(f"pressure, {o.name}", 0.0, math.inf, "reading"), move(zero, unit * o.u_dp_pa)))
    for s in shared:
        out.append((Term(s.name, 0.0, s.dof, s.scope), move(np.array(s.flows_m3_s), np.array(s.dps_pa))))
    out.append((Term("exponent of the branch", 0.0, math.inf, "visit"), move(zero, zero, branch.u)))
    return out


def _residual(
    openings: Sequence[Opening], q: FloatArray, dp: FloatArray, weights: FloatArray, power: float
) -> tuple[float, float, FloatArray]:
    """Return the chance of such residuals, the factor that they ask for, and each relative to its flow."""
    level, slope = _line(q, dp, weights, power)
    off = q**power - (level - slope * dp)
    u = _spread(openings, power, max(slope, 0.0))
    relative = off / (power * q**power)
    if not np.all(u > 0.0):
        return 1.0, 1.0, relative
    chi2, dof = float(np.sum((off / u) ** 2)), len(q) - 2
    return float(chdtrc(dof, chi2)), math.sqrt(max(1.0, chi2 / dof)), relative


def _too_little(openings: Sequence[Opening]) -> Refusal | None:
    """Refuse where the pressure did not change clearly between the openings that lie furthest apart."""
    ordered = sorted(openings, key=lambda o: o.dp_pa)
    near, far = ordered[0], ordered[-1]
    u = math.hypot(*(math.hypot(o.u_dp_pa, 2.0 * o.u_air_rel * o.dp_pa) for o in (near, far)))
    change = far.dp_pa - near.dp_pa
    if change > CLEAR_CHANGE * u and any(b.dp_pa > a.dp_pa for a, b in pairwise(ordered)):
        return None
    wanted = max(near.dp_pa + 2.0 * CLEAR_CHANGE * u, WELL_RESTRICTED * near.dp_pa)
    return Refusal(
        "small change",
        f"the pressure in front of the terminal went from {near.dp_pa:.2f} to {far.dp_pa:.2f} Pa, a change of "
        f"{change:.2f} Pa with a standard uncertainty of {u:.2f} Pa: too little to reckon with. Restrict the outlet "
        f"until it reads {wanted:.1f} Pa or more, {WELL_RESTRICTED:g} times the open hood's, and read again",
    )


def _held_words(fall: float, u_fall: float, near: float, far: float) -> str:
    return (
        f"{HOLDS}. The pressure in front of the terminal went from {near:.2f} to {far:.2f} Pa, and the flow fell by "
        f"{100.0 * fall:.1f} % with a standard uncertainty of {100.0 * u_fall:.1f} %; behind a fan of fixed speed it "
        "would have fallen clearly. So the fan or a regulator makes up for the hood, and the reading with the hood on "
        "is the terminal's flow, within its own uncertainty"
    )


def _rose_words(fall: float, u_fall: float) -> str:
    return (
        f"the flow rose by {-100.0 * fall:.1f} % (standard uncertainty {100.0 * u_fall:.1f} %) while the outlet was "
        "restricted: the terminal itself changed (a fan stage, a door, wind), or the restriction changed the vane's k. "
        "Wait until it is steady, and read open and restricted in turn"
    )
