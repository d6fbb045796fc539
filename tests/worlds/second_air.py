"""How the air fluctuates in the second generator: processes whose long-run mean and correlation are known on paper.

Contract: a `Fluctuation` gives relative deviations with long-run mean exactly zero, standard deviation `rms_rel` and
an autocorrelation in closed form, whose integral from zero to infinity is `correlation_s`. Gaussian kinds are drawn by
spectral synthesis on a circle (random complex amplitudes on the spectrum of the periodic covariance), which has the
stated covariance exactly at all lags of the record. Nothing here knows hoodtrace.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, factorial, gamma, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

KINDS = ("ou", "two", "karman", "swing", "lognormal")
# Share of the fast part in `two`, and the swing's circular frequency in units of its decay rate.
FAST_SHARE = 0.5
SWING = 0.8


@dataclass(frozen=True, slots=True)
class Fluctuation:
    """Relative fluctuation of a flow about its long-run mean.

    Parameters
    ----------
    kind : str
        `ou` exponential correlation (Ornstein-Uhlenbeck); `two` a fast and a slow one, `ratio` apart; `karman`
        turbulence with a -5/3 spectrum; `swing` a damped oscillation driven by noise (a continuous AR(2));
        `lognormal` the exponential of an `ou`, so that the flow is skewed.
    rms_rel : float
        Standard deviation over the mean flow (1), 0 or more.
    correlation_s : float
        Integral of the autocorrelation from zero to infinity (s).
    ratio : float
        Slow over fast correlation time of `two` (1).

    References
    ----------
    Von Karman's longitudinal correlation, 2^(2/3)/Gamma(1/3) z^(1/3) K_1/3(z), integral 0.7468 z-scale: textbook
    result, from memory; the integral by DLMF 10.43.19. The others: own derivation.
    """

    kind: str = "ou"
    rms_rel: float = 0.05
    correlation_s: float = 1.0
    ratio: float = 6.0

    def autocorrelation(self, lag_s: Floats) -> Floats:
        """Autocorrelation (1) at lags (s, >= 0)."""
        tau_s = self.correlation_s
        if self.kind == "ou":
            return np.asarray(np.exp(-lag_s / tau_s))
        if self.kind == "two":
            fast_s = tau_s / (FAST_SHARE + (1 - FAST_SHARE) * self.ratio)
            slow = np.exp(-lag_s / (fast_s * self.ratio))
            return np.asarray(FAST_SHARE * np.exp(-lag_s / fast_s) + (1 - FAST_SHARE) * slow)
        if self.kind == "karman":
            from scipy.special import kv

            scale_s = tau_s * gamma(1 / 3) / (gamma(5 / 6) * sqrt(pi))
            z = np.maximum(lag_s / scale_s, 1e-9)
            return np.asarray(np.where(z > 1e-8, 2 ** (2 / 3) / gamma(1 / 3) * z ** (1 / 3) * kv(1 / 3, z), 1.0))
        if self.kind == "swing":
            decay_per_s = 2 / (tau_s * (1 + SWING**2))
            z = decay_per_s * lag_s
            return np.asarray(np.exp(-z) * (np.cos(SWING * z) + np.sin(SWING * z) / SWING))
        if self.kind == "lognormal":
            variance, inner_s = self._logarithm()
            return np.asarray(np.expm1(variance * np.exp(-lag_s / inner_s)) / np.expm1(variance))
        raise ValueError(f"no fluctuation of the kind {self.kind!r}; there are {', '.join(KINDS)}")

    def _logarithm(self) -> tuple[float, float]:
        """Variance (1) and correlation time (s) of the logarithm of the lognormal flow."""
        variance = max(log(1 + self.rms_rel**2), 1e-12)
        series = sum(variance**n / (factorial(n) * n) for n in range(1, 12))
        return variance, self.correlation_s * (exp(variance) - 1) / series

    def draw(self, n: int, step_s: float, rng: np.random.Generator) -> Floats:
        """`n` relative deviations, `step_s` apart."""
        if self.rms_rel == 0 or n == 0:
            return np.zeros(n)
        if self.kind == "lognormal":
            variance, inner_s = self._logarithm()
            log_flow = sqrt(variance) * on_a_circle(Fluctuation("ou", 1.0, inner_s), n, step_s, rng)
            return np.asarray(np.expm1(log_flow - variance / 2))
        return self.rms_rel * on_a_circle(self, n, step_s, rng)

    def u_mean_rel(self, time_s: float) -> float:
        """Standard deviation (relative) of the mean over `time_s` seconds without a gap: the oracle's."""
        lag_s = np.concatenate([[0.0], np.geomspace(1e-4 * time_s, time_s, 3000)])
        weight = 2 / time_s * (1 - lag_s / time_s)
        return self.rms_rel * sqrt(max(float(np.trapezoid(weight * self.autocorrelation(lag_s), lag_s)), 0.0))


def on_a_circle(process: Fluctuation, n: int, step_s: float, rng: np.random.Generator) -> Floats:
    """Gaussian record of unit variance with the process's autocorrelation, exact at all lags under `n`.

    The circle is long enough (20 correlation times beyond the record) that the covariance bent round it has no
    negative power beyond rounding.

    References
    ----------
    Circulant embedding (Dietrich and Newsam 1997), from memory.
    """
    half = 1 << int(np.ceil(np.log2(max(n, 2) + 20 * process.correlation_s * max(process.ratio, 1) / step_s)))
    lag_s = np.arange(half + 1) * step_s
    covariance = process.autocorrelation(lag_s)
    power = np.fft.rfft(np.concatenate([covariance, covariance[-2:0:-1]])).real
    if power.min() < -1e-6 * power.max():
        raise ValueError(f"the {process.kind} covariance does not close on a circle of {half} steps")
    size = 2 * half
    spectrum = np.sqrt(np.maximum(power, 0) * size / 2) * (
        rng.standard_normal(half + 1) + 1j * rng.standard_normal(half + 1)
    )
    # The two ends of the spectrum are real numbers and carry their whole power in one part.
    spectrum[[0, -1]] = spectrum[[0, -1]].real * sqrt(2)
    return np.asarray(np.fft.irfft(spectrum, size)[:n])


def slow_drift(rms: float, n: int, step_s: float, rng: np.random.Generator) -> Floats:
    """Drift with about equal power in each octave of period from 8 to 1000 s (a 1/f noise), in the unit of `rms`."""
    if rms == 0:
        return np.zeros(n)
    times_s = 8.0 * 2.0 ** np.arange(8)
    coarse = max(1, round(0.5 / step_s))  # such slow noise needs no more than two values a second
    n_coarse = n // coarse + 2
    parts = [on_a_circle(Fluctuation("ou", 1.0, float(t), 1.0), n_coarse, coarse * step_s, rng) for t in times_s]
    total = np.sum(parts, axis=0) * rms / sqrt(len(times_s))
    return np.asarray(np.interp(np.arange(n), np.arange(n_coarse) * coarse, total))


def moist_density_kg_m3(temp_c: float, rh_pct: float, pressure_pa: float) -> float:
    """Density of moist air (kg/m3) as a mixture of two ideal gases.

    References
    ----------
    Magnus formula with 611.2 Pa, 17.62, 243.12 C; gas constants 287.05 and 461.5 J/(kg K): common practice, from
    memory. Some 0.04 % under CIPM-2007, 0.02 % of a taps flow.
    """
    vapour_pa = rh_pct / 100 * 611.2 * exp(17.62 * temp_c / (243.12 + temp_c))
    kelvin = temp_c + 273.15
    return (pressure_pa - vapour_pa) / (287.05 * kelvin) + vapour_pa / (461.5 * kelvin)
