"""The honest mean against AR(1) theory and against three public estimators of autocorrelation time."""

from __future__ import annotations

import contextlib
import io
import logging
import warnings

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from hoodtrace.averaging.covariance import blocked_process
from hoodtrace.averaging.mean import N_BLOCKS, means

Floats = NDArray[np.float64]

# Variance of the mean of 100 values of an AR(1) process of variance 1 (any text on time series; seen, computed there
# in full precision from [(1 + phi) / (1 - phi) - 2 phi (1 - phi^N) / (N (1 - phi)^2)] / N).
AR1_VARIANCE_100 = {0.8: 0.08600000000, 0.9: 0.17200047811, 0.95: 0.31444996022}
# Its g = 1 + 2 * sum of the autocorrelations = (1 + phi) / (1 - phi); same source.
AR1_G = {0.5: 3.0, 0.8: 9.0, 0.9: 19.0}


def ar1(rng: np.random.Generator, phi: float, n_records: int, n: int) -> Floats:
    shocks = rng.standard_normal((n_records, n)) * np.sqrt(1 - phi**2)
    shocks[:, 0] /= np.sqrt(1 - phi**2)
    filtered: Floats = lfilter([1.0], [1.0, -phi], shocks, axis=1)
    return filtered


@pytest.mark.parametrize("phi", AR1_VARIANCE_100)
def test_variance_of_the_mean_of_a_process_is_that_of_ar1(phi: float) -> None:
    """A whole record as one block, against 100 samples: sampling adds about (1/12) (sample / time)^2 of itself."""
    time = -1.0 / (100 * np.log(phi))
    whole = blocked_process(time, 1)[0]
    assert whole == pytest.approx(AR1_VARIANCE_100[phi], rel=2 * np.log(phi) ** 2 / 12)


def test_stated_variance_is_that_of_ar1_theory() -> None:
    """phi 0.9, 5700 samples, N/g 300: the square of u, in the mean over records, is the true variance of the mean."""
    phi, n, n_records = 0.9, 5700, 400
    x = ar1(np.random.default_rng(41), phi, n_records, n)
    result = means(x.reshape(n_records, N_BLOCKS, -1).mean(axis=2), x.var(axis=1))
    true = (AR1_G[phi] - 2 * phi * (1 - phi**n) / (n * (1 - phi) ** 2)) / n
    # Variance from 60 blocks scatters by sqrt(2 / 59) = 18 % a record, 0.9 % in the mean of 400; the prior's own
    # widening is what the tolerance lets through.
    assert 0.95 < np.mean(result.u**2) / true < 1.4
    assert np.mean(result.mean**2) == pytest.approx(true, rel=4 * np.sqrt(2 / n_records))


@pytest.mark.parametrize("phi", AR1_G)
def test_correlation_of_a_long_record_in_pieces(phi: float) -> None:
    """Pieces with N/g of 100 against exact theory and emcee, pymbar, arviz on the whole (public libraries, run here).

    A piece scatters by about 45 %, 2.3 % in the mean of 400; three of these, and 8 % for the prior, which leans to
    slower processes on purpose: no estimate of a long run from 60 blocks is free of one.
    """
    import emcee

    n_pieces = 400
    n = round(100 * AR1_G[phi] / N_BLOCKS) * N_BLOCKS
    x = ar1(np.random.default_rng(20240601), phi, 1, n_pieces * n)
    pieces = x.reshape(n_pieces, n)
    result = means(pieces.reshape(n_pieces, N_BLOCKS, -1).mean(axis=2), pieces.var(axis=1))
    g = float(np.mean(2 * result.correlation_blocks)) * n / N_BLOCKS
    np.testing.assert_allclose(n / result.n_over_g, 2 * result.correlation_blocks * n / N_BLOCKS, rtol=1e-12)
    tolerance = 3 * 0.45 / np.sqrt(n_pieces) + 0.08
    outside = {
        "exact": AR1_G[phi],
        "emcee": float(emcee.autocorr.integrated_time(x[0])[0]),
        "arviz": x.size / ess(x[0]),
        "pymbar": inefficiency(x[0, :200_000]),
    }
    for name, other in outside.items():
        assert g == pytest.approx(other, rel=tolerance), name


def test_correlation_where_blocks_are_white() -> None:
    """N/g of 2000: the models know no negative correlation, so the estimate can only lean up, never much down.

    The true share of the long run is then known to 18 % a record from 60 blocks, 1.3 % in the mean of 200.
    """
    n = 38_040
    x = ar1(np.random.default_rng(7), 0.9, 200, n)
    result = means(x.reshape(200, N_BLOCKS, -1).mean(axis=2), x.var(axis=1))
    g = float(np.mean(n / result.n_over_g))
    assert 1 - 3 * 0.013 < g / AR1_G[0.9] < 1.25


def ess(x: Floats) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # arviz announces its next version on import
        import arviz

        return float(arviz.ess(x[None, :], method="mean"))


def inefficiency(x: Floats) -> float:
    logging.getLogger("pymbar").setLevel(logging.CRITICAL)
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")  # pymbar advertises an accelerator on import
        from pymbar.timeseries import statistical_inefficiency

        return float(statistical_inefficiency(x))
