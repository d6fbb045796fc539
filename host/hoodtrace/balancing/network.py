"""The network of one side: flows from the conductances of its valves, and how they change with every unknown.

Terminal i has conductance c_i: q_i = c_i sqrt(P), P in units of the pressure at the manifold at the beginning.
Terminals of a branch g share a resistance r_g. The fan gives P = s^2 (1 + b) / (1 + b (C / C0)^2), C the conductance
of all, C0 that of the beginning, s the fan's factor; b -> infinity is a constant-flow fan. A hood adds K / P0 to
1 / c^2 of its terminal, P0 the manifold pressure in Pa.

All unknowns are logarithms, in one vector: ln b, ln P0, ln rho_g (r_g = rho_g / C_g0^2), the factors of the fan's
settings, of the house's epochs, then conductances of all valve positions, those of the beginning first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Layout:
    """What stands where in the vector of unknowns: `ln b` 0, `ln P0` 1, then branches, fan settings, epochs, valves.

    `group` is each terminal's group (n_terminals,); the first `n_branches` groups have a resistance.
    """

    group: Ints
    n_branches: int
    n_fans: int
    n_epochs: int
    n_positions: int

    @property
    def n_groups(self) -> int:
        """Groups, single terminals among them."""
        return int(self.group.max()) + 1

    @property
    def fan0(self) -> int:
        """Place of the first fan setting."""
        return 2 + self.n_branches

    @property
    def epoch0(self) -> int:
        """Place of the first epoch."""
        return self.fan0 + self.n_fans

    @property
    def valve0(self) -> int:
        """Place of the first valve position."""
        return self.epoch0 + self.n_epochs

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.valve0 + self.n_positions


@dataclass(frozen=True, slots=True)
class Moments:
    """Flows to be worked out: which terminal, with which positions, fan, epoch, and hood resistance on it.

    `position` (n, n_terminals) counts valve positions from 0; `terminal`, `fan`, `epoch` (n,) likewise;
    `hood_pa_m3h2` (n,) is 0 where no hood is on.
    """

    terminal: Ints
    position: Ints
    fan: Ints
    epoch: Ints
    hood_pa_m3h2: Floats


def log_flows(theta: Floats, layout: Layout, at: Moments) -> tuple[Floats, Floats]:
    """Return the logarithms of the flows [m3/h] (n,) and their derivatives (n, layout.size).

    References
    ----------
    Own derivation from the model above.
    """
    n, n_terminals = at.position.shape
    row, each = np.arange(n), np.arange(n_terminals)
    member = np.zeros((n_terminals, layout.n_groups))
    member[each, layout.group] = 1.0
    b, p0_pa = np.exp(theta[0]), np.exp(theta[1])
    rho = np.zeros(layout.n_groups)
    rho[: layout.n_branches] = np.exp(theta[2 : layout.fan0])

    c_begin = np.exp(theta[layout.valve0 : layout.valve0 + n_terminals])
    group_begin = c_begin @ member
    r = rho / group_begin**2
    through_begin = group_begin / np.sqrt(1.0 + rho)
    share_begin = through_begin / through_begin.sum()

    c = np.exp(theta[layout.valve0 + at.position])
    free = 1.0 / (1.0 + at.hood_pa_m3h2 / p0_pa * c[row, at.terminal] ** 2)
    c[row, at.terminal] *= np.sqrt(free)
    in_group = c @ member
    a = r * in_group**2
    lost = a / (1.0 + a)
    through = in_group / np.sqrt(1.0 + a)
    total = through.sum(axis=1)
    x = (total / through_begin.sum()) ** 2
    f = b * x / (1.0 + b * x)
    log_s = theta[layout.fan0 + at.fan] + theta[layout.epoch0 + at.epoch]
    mine = layout.group[at.terminal]
    log_q = np.log(c[row, at.terminal]) + log_s + 0.5 * (np.log1p(b) - np.log1p(b * x) - np.log1p(a[row, mine]))

    # By the conductances as the air meets them, then through hood, branches and what the beginning stands for.
    share = through / total[:, None]
    by_group = -f[:, None] * share * (1.0 - lost)
    by_group[row, mine] -= lost[row, mine]
    by_c = by_group[:, layout.group] * c / in_group[:, layout.group]
    by_c[row, at.terminal] += 1.0
    by_r = 0.5 * f[:, None] * share * lost
    by_r[row, mine] -= 0.5 * lost[row, mine]

    slope = np.zeros((n, layout.size))
    slope[:, 0] = 0.5 * (b / (1.0 + b) - f)
    slope[:, 1] = by_c[row, at.terminal] * 0.5 * (1.0 - free)
    by_rho = by_r - 0.5 * f[:, None] * (share_begin * rho / (1.0 + rho))
    slope[:, 2 : layout.fan0] = by_rho[:, : layout.n_branches]
    slope[row, layout.fan0 + at.fan] = 1.0
    slope[row, layout.epoch0 + at.epoch] = 1.0
    by_c[row, at.terminal] *= free
    slope[row[:, None], layout.valve0 + at.position] = by_c
    begin = (f[:, None] * share_begin - 2.0 * by_r)[:, layout.group] * (c_begin / group_begin[layout.group])
    slope[:, layout.valve0 : layout.valve0 + n_terminals] += begin
    return log_q, slope
