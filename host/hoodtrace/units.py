"""Units at the edges: SI inside, m3/h, L/s and cfm only where people read.

One international foot is 0.3048 m exactly (International yard and pound agreement, 1959; seen).
"""

from __future__ import annotations

M3_H_PER_M3_S = 3600.0
L_S_PER_M3_S = 1000.0
CFM_PER_M3_S = 60.0 / 0.3048**3

KELVIN_AT_0_C = 273.15


def m3h(flow_m3_s: float) -> float:
    """Flow in m3/h from `flow_m3_s` in m3/s.

    Examples
    --------
    >>> round(m3h(0.0125), 9)
    45.0
    """
    return flow_m3_s * M3_H_PER_M3_S


def m3_s(flow_m3h: float) -> float:
    """Flow in m3/s from `flow_m3h` in m3/h.

    Examples
    --------
    >>> round(m3_s(45.0), 9)
    0.0125
    """
    return flow_m3h / M3_H_PER_M3_S
