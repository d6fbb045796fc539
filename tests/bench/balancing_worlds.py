"""Simulated dwellings for the balancing figures. Shares no code with the package.

A heat-recovery unit: two fans with curved characteristics behind filters and exchanger, radial or tree-shaped ducts
whose exponents differ from 2, valves, a leaky dwelling whose pressure couples the sides, a hood of 100 mm that takes
1.2e-3 Pa/(m3/h)^2. A meter with 3 % random and 5 % common error; people who turn a valve until it shows a target.
Flows in m3/h, pressures in Pa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

HOOD_PA_M3H2 = 1.2e-3
RANDOM_REL = 0.03
COMMON_REL = 0.05
TURNED_REL = 0.01
"""How close to the target people leave a valve."""
SHUT_TIMES = 3e4


@dataclass
class Dwelling:
    """One dwelling and what was done to it. Sides are 0 supply and 1 extract."""

    rng: np.random.Generator
    side: Ints
    design: Floats
    path: Floats
    duct_k: Floats
    duct_n: Floats
    branch: list[str]
    k_open: Floats
    k_valve: Floats
    fan_p0: Floats
    fan_most: Floats
    fan_n: Floats
    unit_k: Floats
    unit_n: Floats
    leak: float
    common: float
    hood: float
    speed: Floats = field(default_factory=lambda: np.ones(2))
    q: Floats = field(default_factory=lambda: np.zeros(0))

    def _pressures(self, q: Floats, k: Floats) -> tuple[Floats, Floats]:
        """Return what is left over of the fan's pressure at each terminal, and its derivative by the flows."""
        sign = np.where(self.side == 0, 1.0, -1.0)
        total = np.bincount(self.side, q, minlength=2)
        x = np.maximum(total / (self.speed * self.fan_most), 1e-9)
        fan = self.speed**2 * self.fan_p0 * (1.0 - x**self.fan_n)
        fan_slope = -self.speed * self.fan_p0 * self.fan_n * x ** (self.fan_n - 1.0) / self.fan_most
        fan -= self.unit_k * total**self.unit_n
        fan_slope -= self.unit_k * self.unit_n * total ** (self.unit_n - 1.0)
        in_duct = self.path @ q
        lost = self.duct_k * in_duct**self.duct_n
        lost_slope = self.duct_k * self.duct_n * in_duct ** (self.duct_n - 1.0)
        over = float(sign @ q)
        inside = math.copysign(abs(over / self.leak) ** (1.0 / 0.65), over)
        inside_slope = abs(over / self.leak) ** (1.0 / 0.65 - 1.0) / (0.65 * self.leak)
        left = fan[self.side] - self.path.T @ lost - k * q**2 - sign * inside
        slope = fan_slope[self.side][:, None] * (self.side[:, None] == self.side)
        slope = slope - self.path.T @ (lost_slope[:, None] * self.path) - inside_slope * np.outer(sign, sign)
        slope[np.diag_indices(len(q))] -= 2.0 * k * q
        return left, slope

    def flows(self, hooded: int = -1, times: float = 1.0) -> Floats:
        """Return the true flows, with the hood on one terminal or none; `times` its resistance, outlet restricted."""
        k = self.k_valve.copy()
        if hooded >= 0:
            k[hooded] += times * self.hood
        q = self.q if len(self.q) else self.design * 0.8
        for _ in range(200):
            left, slope = self._pressures(q, k)
            step = np.linalg.solve(slope, -left)
            q = np.maximum(q + step, 0.3 * q)
            if np.abs(step / q).max() < 1e-8:
                self.q = q
                return q
        raise RuntimeError("the simulated dwelling has no flows")

    def read(self, i: int, times: float = 1.0) -> float:
        """Return a reading with the hood on, its outlet open or restricted to `times` its resistance."""
        return float(self.flows(i, times)[i] * (1.0 + self.common) * (1.0 + RANDOM_REL * self.rng.standard_normal()))

    def turn(self, i: int, target: float) -> tuple[float, str]:
        """Turn a valve until the hood shows about `target` (inf: open it); return the reading and the stop."""
        off = (1.0 + self.common) * (1.0 + RANDOM_REL * self.rng.standard_normal())
        left_at = target * (1.0 + float(np.clip(TURNED_REL * self.rng.standard_normal(), -0.02, 0.02)))
        self.k_valve[i] = self.k_open[i]
        most = float(self.flows(i)[i]) * off
        if most <= left_at:
            return most, "open"
        fixed = left_at / off
        rest = np.arange(len(self.q)) != i
        q, k = self.q.copy(), self.k_valve.copy()
        q[i], k[i] = fixed, 0.0
        for _ in range(200):
            left, slope = self._pressures(q, k)
            step = np.linalg.solve(slope[np.ix_(rest, rest)], -left[rest])
            q[rest] = np.maximum(q[rest] + step, 0.3 * q[rest])
            if np.abs(step / q[rest]).max() < 1e-9:
                break
        left, _ = self._pressures(q, k)
        self.k_valve[i] = float(left[i] / fixed**2) - self.hood
        if self.k_valve[i] > SHUT_TIMES * self.k_open[i]:
            raise RuntimeError("the simulated valve would be shut")
        return left_at, ""

    def ratios(self) -> Floats:
        """Return true flow over design as a hood without random error and back pressure would show it."""
        return self.flows() * (1.0 + self.common) / self.design

    def needless(self) -> Floats:
        """Return each side's fan pressure over the least that gives the same total in the design's proportions."""
        q = self.flows()
        total = np.bincount(self.side, q, minlength=2)
        wanted = self.design * (total / np.bincount(self.side, self.design, minlength=2))[self.side]
        unit = self.unit_k * total**self.unit_n
        fan = self.speed**2 * self.fan_p0 * (1.0 - (total / (self.speed * self.fan_most)) ** self.fan_n)
        needed = self.path.T @ (self.duct_k * (self.path @ wanted) ** self.duct_n) + self.k_open * wanted**2
        return np.array([fan[s] / (unit[s] + needed[self.side == s].max()) for s in (0, 1)])


def drawn(rng: np.random.Generator, n: int, found: bool = False) -> Dwelling:
    """Draw a dwelling of n terminals; `found`: valves anywhere, else all open."""
    side = np.repeat([0, 1], [n - n // 2, n // 2])
    design = rng.uniform(15.0, 50.0, n)
    design[side == 1] *= design[side == 0].sum() / design[side == 1].sum()
    design = np.round(design)
    path, branch = [np.eye(n)], [""] * n
    k_single = 12.0 * np.exp(0.7 * rng.standard_normal(n))
    n_single = rng.uniform(1.75, 2.0, n)
    duct_k, duct_n = [k_single / 30.0**n_single], [n_single]
    if rng.random() < 0.5:
        known = rng.random() < 0.5
        for s in (0, 1):
            of = np.flatnonzero(side == s)
            cuts = 2 if len(of) < 6 else 3
            for g, part in enumerate(np.array_split(rng.permutation(of), cuts)):
                row = np.zeros((1, n))
                row[0, part] = 1.0
                exponent = rng.uniform(1.75, 2.0)
                drop = 8.0 * math.exp(0.6 * rng.standard_normal())
                path.append(row)
                duct_k.append(np.array([drop / design[part].sum() ** exponent]))
                duct_n.append(np.array([exponent]))
                if known:
                    for i in part:
                        branch[i] = f"{s}{g}"
    k_open = 4.0 / 30.0**2 * np.exp(0.3 * rng.standard_normal(n))
    k_valve = k_open * (np.exp(rng.uniform(0.0, 3.0, n)) if found else 1.0)
    dwelling = Dwelling(
        rng,
        side,
        design,
        np.vstack(path),
        np.concatenate(duct_k),
        np.concatenate(duct_n),
        branch,
        k_open,
        k_valve,
        fan_p0=np.zeros(2),
        fan_most=np.zeros(2),
        fan_n=rng.uniform(1.5, 2.5, 2),
        unit_k=np.zeros(2),
        unit_n=rng.uniform(1.3, 1.8, 2),
        leak=rng.uniform(1.0, 4.0) * 2.5 * 16.0 * (4 + n) / 50.0**0.65,
        common=COMMON_REL * float(np.clip(rng.standard_normal(), -2.5, 2.5)),
        hood=HOOD_PA_M3H2 * math.exp(0.1 * rng.standard_normal()),
    )
    # The fan: with valves as they are the terminals get the design on the whole, some more, some less.
    for s in (0, 1):
        of = side == s
        total = float(design[of].sum() * math.exp(0.25 * rng.standard_normal()))
        wanted = np.where(of, design * total / design[of].sum(), 0.0)
        drop = dwelling.path.T @ (dwelling.duct_k * (dwelling.path @ wanted) ** dwelling.duct_n) + k_valve * wanted**2
        manifold = float((drop[of] ** -0.5).mean() ** -2.0)
        slope = 1.5 * math.exp(0.6 * rng.standard_normal())
        share = rng.uniform(0.2, 0.6)
        dwelling.unit_k[s] = share * slope * manifold / total ** dwelling.unit_n[s]
        dwelling.fan_p0[s] = manifold * (1.0 + slope)
        dwelling.fan_most[s] = total * ((1.0 + slope) / ((1.0 - share) * slope)) ** (1.0 / dwelling.fan_n[s])
    return dwelling
