"""What a fit of the hood's constants says: parameters, covariance, degrees of freedom, and the flow of a signal.

Contract: `Fit` carries the numbers once; VaneFit and TapsFit name them as hood.toml does. `beta` is (ln k, d_offset) or
(ln c, 2 exponent - 1); a second parameter that could not be looked for is 0 with the uncertainty `u_open`, one that was
looked for and not earned is 0 with the uncertainty that the points leave it. `covariance_own` and `covariance_common`
are kept apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.budget import coverage_factor
from hoodtrace.calibration.points import Common
from hoodtrace.physics.hood import FURTHEST

FloatArray = NDArray[np.float64]


def effective_dof(parts: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of independent parts (variance, degrees of freedom).

    References
    ----------
    JCGM 100:2008, G.4.1, equation G.2b (Welch-Satterthwaite).

    Examples
    --------
    >>> u, dof = effective_dof([(9.0, 10.0), (16.0, math.inf)])
    >>> u, round(dof, 2)
    (5.0, 77.16)
    """
    known = list(parts)
    variance = math.fsum(v for v, _ in known)
    loose = math.fsum(v * v / dof for v, dof in known if dof < math.inf)
    return math.sqrt(variance), variance**2 / loose if loose > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class FlowAt:
    """Flow of a signal, m3/s; standard uncertainty from the calibration alone, degrees of freedom, in range or not."""

    flow_m3_s: float
    u_m3_s: float
    dof: float
    inside: bool


@dataclass(frozen=True, slots=True)
class Band:
    """The factor (flow over area times signal) over flow, and its 95 % band; arrays of one length."""

    flow_m3_s: FloatArray
    factor: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fit of n points. `gain` (2, n): change of beta by a relative error of the flow of each point.

    `jacobian` (n, 2): change of ln flow by beta. `u_own_rel` (n,): relative own uncertainty of each point, what nobody
    stated included; `u_reference_rel` (n,): the reference's own as stated; `shared` (n, m): that of each `common`.
    `scale`: what the stated own variance was multiplied by where no scatter was hidden. `residuals_rel`: reference over
    fit, less 1, first order. `leave_one_out_rel`: relative change of the flow, where it is largest among the points,
    when that point is left out.
    """

    area_m2: float
    numbers: tuple[int, ...]
    signals_m_s: tuple[float, ...]
    flows_m3_s: tuple[float, ...]
    beta: FloatArray
    gain: FloatArray
    jacobian: FloatArray
    u_own_rel: FloatArray
    u_reference_rel: FloatArray
    common: tuple[Common, ...]
    shared: FloatArray
    dof_own: int
    tested: bool
    earned: bool
    u_open: float
    p_second: float
    scatter_rel: float
    scale: float
    chi2_stated: float
    p_lack: float
    lack_of_fit: str
    residuals_rel: tuple[float, ...]
    leave_one_out_rel: tuple[float, ...]
    most_change_rel: float
    most_change_number: int
    lowest_m3_s: float
    highest_m3_s: float

    @property
    def covariance_own(self) -> FloatArray:
        """Covariance of beta (2, 2) from the errors that are new in each point."""
        result: FloatArray = (self.gain * self.u_own_rel**2) @ self.gain.T
        return result

    @property
    def by_common(self) -> FloatArray:
        """Change of beta (2, m) by one standard uncertainty of each shared error."""
        result: FloatArray = self.gain @ self.shared
        return result

    @property
    def covariance_common(self) -> FloatArray:
        """Covariance of beta (2, 2) from the errors that points share."""
        result: FloatArray = self.by_common @ self.by_common.T
        return result

    @property
    def by_open(self) -> FloatArray:
        """Change of beta (2,) by one standard uncertainty of a second parameter that could not be looked for.

        The flow at the points' own middle stays where it is.
        """
        pivot = float(self.gain[0] @ self.jacobian[:, 1])
        result: FloatArray = self.u_open * np.array([-pivot, 1.0])
        return result

    @property
    def covariance(self) -> FloatArray:
        """All of it."""
        result: FloatArray = self.covariance_own + self.covariance_common + np.outer(self.by_open, self.by_open)
        return result

    def _along(self, direction: FloatArray) -> tuple[float, float]:
        """Standard uncertainty and degrees of freedom of direction . beta."""
        own = float(direction @ self.covariance_own @ direction)
        shared = ((direction @ self.by_common) ** 2).tolist()
        opened = float(direction @ self.by_open) ** 2
        parts = zip(shared, (c.dof for c in self.common), strict=True)
        return effective_dof([(own, float(self.dof_own)), *parts, (opened, math.inf)])

    @property
    def middle_m3_s(self) -> float:
        """Geometric middle of the range of the points, m3/s."""
        return math.sqrt(self.lowest_m3_s * self.highest_m3_s)

    @property
    def dof_least(self) -> float:
        """Least degrees of freedom of the flow at the lowest, the middle and the highest flow of the points."""
        flows = (self.lowest_m3_s, self.middle_m3_s, self.highest_m3_s)
        return min(self._along(self.slope(flow))[1] for flow in flows)

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of the factor (k or c)."""
        return self._along(np.array([1.0, 0.0]))[0]

    @property
    def dof(self) -> float:
        """Degrees of freedom of the factor."""
        return self._along(np.array([1.0, 0.0]))[1]

    @property
    def u_second(self) -> float:
        """Standard uncertainty of the second parameter of beta."""
        return self._along(np.array([0.0, 1.0]))[0]

    @property
    def r_second(self) -> float:
        """Correlation of the errors of ln factor and second parameter; 0 where there is none."""
        whole = math.sqrt(float(self.covariance[0, 0] * self.covariance[1, 1]))
        return float(self.covariance[0, 1]) / whole if whole > 0.0 else 0.0

    def _ln_over_area(self, signal_m_s: float) -> tuple[float, FloatArray]:
        """Give ln(flow / area) of a signal and its change by beta."""
        raise NotImplementedError

    def _signal_of(self, flow_m3_s: float) -> float:
        raise NotImplementedError

    def flow_m3_s(self, signal_m_s: float) -> FlowAt:
        """Flow of a hood signal.

        Parameters
        ----------
        signal_m_s : float
            Speed at the vane, or sqrt(2 dp / density) of the taps, m/s, > 0.

        Returns
        -------
        FlowAt
            `u_m3_s` holds the calibration's uncertainty, not that of the signal. `inside` is False under the lowest
            point and over 1.2 times the highest.
        """
        ln_speed, gradient = self._ln_over_area(signal_m_s)
        flow = self.area_m2 * math.exp(ln_speed)
        u_rel, dof = self._along(gradient)
        # One part in 1e9: a point's own signal is inside.
        inside = self.lowest_m3_s * (1 - 1e-9) <= flow <= FURTHEST * self.highest_m3_s * (1 + 1e-9)
        return FlowAt(flow, u_rel * flow, dof, inside)

    def signal_m_s(self, flow_m3_s: float) -> float:
        """Hood signal that this flow makes, m/s."""
        return self._signal_of(flow_m3_s)

    def u_at_rel(self, flow_m3_s: float) -> float:
        """Relative standard uncertainty of this flow, by the calibration alone."""
        return self._along(self.slope(flow_m3_s))[0]

    def slope(self, flow_m3_s: float) -> FloatArray:
        """Change (2,) of ln flow by beta, at the signal that this flow makes."""
        return self._ln_over_area(self._signal_of(flow_m3_s))[1]

    def k_over_flow(self, n: int = 60) -> Band:
        """Factor flow / (area * signal) over the range of the points, with its 95 % band (Student's t), for drawing."""
        flows = np.geomspace(self.lowest_m3_s, self.highest_m3_s, n)
        factor, half = np.empty(n), np.empty(n)
        for i, flow in enumerate(flows):
            signal = self._signal_of(float(flow))
            u_rel, dof = self._along(self._ln_over_area(signal)[1])
            factor[i], half[i] = flow / (self.area_m2 * signal), coverage_factor(dof) * u_rel
        return Band(flows, factor, factor * (1.0 - half), factor * (1.0 + half))


@dataclass(frozen=True, slots=True, eq=False)
class VaneFit(Fit):
    """flow = k * area * (speed + d_offset)."""

    @property
    def k(self) -> float:
        """The k-factor, dimensionless."""
        return math.exp(float(self.beta[0]))

    @property
    def u_k_rel(self) -> float:
        """Relative standard uncertainty of k."""
        return self.u_rel

    @property
    def dof_k(self) -> float:
        """Degrees of freedom of k."""
        return self.dof

    @property
    def d_offset_m_s(self) -> float:
        """What is added to the vane's speed, m/s; 0 where not earned."""
        return float(self.beta[1])

    @property
    def u_offset_m_s(self) -> float:
        """Standard uncertainty of the offset, m/s: also where it is 0 because not earned."""
        return self.u_second

    @property
    def r_k_offset(self) -> float:
        """Correlation of the errors of ln k and offset."""
        return self.r_second

    def _ln_over_area(self, signal_m_s: float) -> tuple[float, FloatArray]:
        speed = signal_m_s + float(self.beta[1])
        if speed <= 0.0:
            return -math.inf, np.array([1.0, 0.0])
        return float(self.beta[0]) + math.log(speed), np.array([1.0, 1.0 / speed])

    def _signal_of(self, flow_m3_s: float) -> float:
        return flow_m3_s / (self.area_m2 * self.k) - float(self.beta[1])


@dataclass(frozen=True, slots=True, eq=False)
class TapsFit(Fit):
    """flow = c * area * (speed / 1 m/s)^(2 exponent) * 1 m/s."""

    @property
    def c(self) -> float:
        """The factor c, dimensionless."""
        return math.exp(float(self.beta[0]))

    @property
    def u_c_rel(self) -> float:
        """Relative standard uncertainty of c."""
        return self.u_rel

    @property
    def dof_c(self) -> float:
        """Degrees of freedom of c."""
        return self.dof

    @property
    def exponent(self) -> float:
        """The exponent of dp, 0.5 where no other is earned."""
        return 0.5 + 0.5 * float(self.beta[1])

    @property
    def u_exponent(self) -> float:
        """Standard uncertainty of the exponent: also where it is 0.5 because not earned."""
        return 0.5 * self.u_second

    @property
    def r_c_exponent(self) -> float:
        """Correlation of the errors of ln c and exponent."""
        return self.r_second

    def _ln_over_area(self, signal_m_s: float) -> tuple[float, FloatArray]:
        x = math.log(signal_m_s)
        return float(self.beta[0]) + (1.0 + float(self.beta[1])) * x, np.array([1.0, x])

    def _signal_of(self, flow_m3_s: float) -> float:
        return math.exp((math.log(flow_m3_s / self.area_m2) - float(self.beta[0])) / (1.0 + float(self.beta[1])))
