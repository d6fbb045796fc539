"""The hood file: what is known of one hood, checked key by key.

`read_hood` gives a frozen `Hood` or raises `HoodError` that names every key at fault by its path. No negative value
but where a sign has a meaning (`taps.zero_pa`, correlations, `altitude_m`), no NaN, no unknown key. The extract tables
repeat keys for air that goes into the hood from the room; what they leave out is taken from the plain table.
"""

from __future__ import annotations

import datetime
import hashlib
import math
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from hoodtrace.errors import HoodError

# Bounds far outside any hood that a person could carry: they catch slips and keep the arithmetic finite.
Factor = Annotated[float, Field(gt=0.0, ge=0.01, le=10.0, allow_inf_nan=False)]
Gain = Annotated[float, Field(gt=0.0, ge=1e-6, le=1e3, allow_inf_nan=False)]
Bore = Annotated[float, Field(gt=0.0, ge=5.0, le=2000.0, allow_inf_nan=False)]
Length = Annotated[float, Field(gt=0.0, ge=1e-3, le=1e5, allow_inf_nan=False)]
Speed = Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)]
Relative = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
Pressure = Annotated[float, Field(gt=0.0, ge=1e4, le=2e5, allow_inf_nan=False)]
UPascal = Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)]
Pascal = Annotated[float, Field(ge=-100.0, le=100.0, allow_inf_nan=False)]
Direction = Literal["supply", "extract"]
Dof = Annotated[float, Field(gt=0.0, ge=0.5, allow_inf_nan=False)]
Correlation = Annotated[float, Field(ge=-1.0, le=1.0, allow_inf_nan=False)]
Exponent = Annotated[float, Field(ge=0.3, le=0.8, allow_inf_nan=False)]
FlowM3h = Annotated[float, Field(gt=0.0, le=1e5, allow_inf_nan=False)]


def _rising(ends: list[float]) -> list[float]:
    if not ends[0] < ends[1]:
        raise ValueError("the lowest flow comes first, then the highest")
    return ends


RangeM3h = Annotated[list[FlowM3h], Field(min_length=2, max_length=2), AfterValidator(_rising)]
NEAREST, FURTHEST = 0.98, 1.2
"""Times the lowest and the highest calibrated flow that a reading may be: nothing under the lowest but its own scatter
(own choices)."""


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Pipe(_Table):
    """The pipe: bore and length, mm."""

    bore_mm: Bore
    length_mm: Length


class _VaneExtract(_Table):
    offset_m_s: Speed | None = None
    gain_m_s_per_hz: Gain | None = None
    start_m_s: Speed | None = None
    k: Factor | None = None
    u_k_rel: Relative | None = None
    dof_k: Dof | None = None
    u_offset_m_s: Speed | None = None
    r_k_offset: Correlation | None = None
    range_m3h: RangeM3h | None = None
    response_length_m: Length | None = None
    edges_per_rev: Annotated[int, Field(ge=1)] | None = None


class Vane(_Table):
    """The vane channel: speed = offset + gain * frequency; flow = k * area * speed.

    `dof_k` are the degrees of freedom of k (None: known), `u_offset_m_s` and `r_k_offset` the offset's standard
    uncertainty and its correlation with k (a fit with a second term), `range_m3h` lowest and highest calibrated flow.
    """

    offset_m_s: Speed
    gain_m_s_per_hz: Gain
    start_m_s: Speed
    k: Factor
    u_k_rel: Relative
    dof_k: Dof | None = None
    u_offset_m_s: Speed = 0.0
    r_k_offset: Correlation = 0.0
    range_m3h: RangeM3h | None = None
    response_length_m: Length | None = None
    edges_per_rev: Annotated[int, Field(ge=1)] | None = None
    extract: _VaneExtract | None = None

    def u_scale_m_s(self, speed_m_s: float) -> float:
        """Standard uncertainty of k * speed over k, m/s, from k and the offset."""
        by_k = self.u_k_rel * speed_m_s
        both = 2.0 * self.r_k_offset * by_k * self.u_offset_m_s
        return math.sqrt(max(0.0, by_k**2 + self.u_offset_m_s**2 + both))


class _TapsExtract(_Table):
    count: Annotated[int, Field(ge=1)] | None = None
    c: Factor | None = None
    u_c_rel: Relative | None = None
    dof_c: Dof | None = None
    exponent: Exponent | None = None
    u_exponent: Relative | None = None
    r_c_exponent: Correlation | None = None
    range_m3h: RangeM3h | None = None
    zero_pa: Pascal | None = None
    u_zero_pa: UPascal | None = None
    reference_pressure_pa: Pressure | None = None


class Taps(_Table):
    """The pressure channel: flow = c * area * v1 * (2 |dp| / (density v1^2))^exponent, v1 = 1 m/s, with dp's sign.

    The exponent is 0.5 unless a calibration with a second term says otherwise; `dof_c` and `range_m3h` as the vane's.
    """

    count: Annotated[int, Field(ge=1)]
    c: Factor
    u_c_rel: Relative
    dof_c: Dof | None = None
    exponent: Exponent = 0.5
    u_exponent: Relative = 0.0
    r_c_exponent: Correlation = 0.0
    range_m3h: RangeM3h | None = None
    zero_pa: Pascal
    u_zero_pa: UPascal
    reference_pressure_pa: Pressure | None = None
    extract: _TapsExtract | None = None

    def u_scale_rel(self, speed2_m2_s2: float) -> float:
        """Relative standard uncertainty of the flow from c and the exponent at 2 dp / density, m2/s2."""
        by_exponent = math.log(speed2_m2_s2) * self.u_exponent if speed2_m2_s2 > 0.0 else 0.0
        both = 2.0 * self.r_c_exponent * self.u_c_rel * by_exponent
        return math.sqrt(max(0.0, self.u_c_rel**2 + by_exponent**2 + both))


class Placement(_Table):
    """How much readings differ from placement to placement, relative standard uncertainty; its degrees of freedom."""

    u_rel: Relative
    dof: Dof | None = None


class Resistance(_Table):
    """The hood's own resistance: pressure in front of the terminal over the taps' pressure."""

    taps_share: Factor = 1.0
    u_taps_share_rel: Relative = 0.0


class Calibration(_Table):
    """What the last calibration says of itself."""

    date: datetime.date
    due: datetime.date
    method: str
    made_by: str
    record: str | None = None
    record_sha256: str | None = None


class Hood(_Table):
    """One hood; see "Formats" in DEVELOPERS.md. Tables that are missing are None."""

    name: str
    pipe: Pipe
    vane: Vane | None = None
    taps: Taps | None = None
    placement: Placement | None = None
    resistance: Resistance | None = None
    calibration: Calibration | None = None
    directions: list[Direction] | None = None
    r_k_c: Correlation = 0.0
    altitude_m: Annotated[float, Field(ge=-1000.0, le=9000.0, allow_inf_nan=False)] | None = None

    @property
    def area_m2(self) -> float:
        """Cross-section of the bore, m2."""
        return math.pi / 4.0 * (self.pipe.bore_mm / 1000.0) ** 2

    def vane_for(self, direction: str) -> Vane | None:
        """Return the vane's constants for `direction` (anything but "extract" takes the plain table)."""
        return _merged(self.vane) if direction == "extract" else self.vane

    def taps_for(self, direction: str) -> Taps | None:
        """Return the taps' constants for `direction`."""
        return _merged(self.taps) if direction == "extract" else self.taps

    def start_flow_m3_s(self, direction: str) -> float | None:
        """Flow at the vane's start speed in `direction`, m3/s; None without a vane."""
        vane = self.vane_for(direction)
        return vane.k * self.area_m2 * vane.start_m_s if vane is not None else None

    def calibrated_for(self, direction: str) -> bool:
        """Whether the hood was calibrated in `direction`."""
        return self.directions is None or direction in self.directions


_Channel = TypeVar("_Channel", Vane, Taps)


def _merged(table: _Channel | None) -> _Channel | None:
    if table is None or table.extract is None:
        return table
    return table.model_copy(update=table.extract.model_dump(exclude_none=True) | {"extract": None})


def parse_hood(text: str, path: Path | str) -> Hood:
    """Return the hood that the TOML `text` describes; `path` is what messages call it.

    Raises
    ------
    HoodError
        The text is not TOML, or a key is missing, unknown, negative or NaN; every key at fault is named.
    """
    try:
        content: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        comma = next((row for row in text.splitlines() if re.search(r"=\s*-?\d+,\d+\s*(#.*)?$", row)), None)
        hint = "" if comma is None else f" `{comma.strip()}` has a decimal comma; TOML wants a point."
        raise HoodError(path, f"is not a whole TOML file ({error}).{hint} Mend or copy it again.") from error
    try:
        hood = Hood.model_validate(content)
    except ValidationError as error:
        faults = [(".".join(str(p) for p in e["loc"]), e["msg"], e["type"], e.get("input")) for e in error.errors()]
        words = "; ".join(_fault_words(*fault) for fault in faults)
        raise HoodError(path, f"{words}. Correct the hood file.", tuple(f[0] for f in faults)) from error
    if hood.vane is None and hood.taps is None:
        raise HoodError(path, "has neither a [vane] nor a [taps] table; one is needed.", ("vane", "taps"))
    return hood


def read_hood(path: Path) -> tuple[Hood, str]:
    """Return the hood in file `path` and the SHA-256 of its bytes.

    Raises
    ------
    HoodError
        The file can't be read, is not UTF-8 text, or holds a fault (see `parse_hood`).
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise HoodError(path, f"the hood file can't be read ({error.strerror}). Give its path with --hood.") from error
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise HoodError(path, f"is not a text file in UTF-8 (byte {error.start}). Is it a hood file?") from error
    return parse_hood(text, path), hashlib.sha256(content).hexdigest()


def _fault_words(key: str, message: str, kind: str, value: object) -> str:
    if kind == "missing":
        return f"key {key} is missing"
    if kind == "extra_forbidden":
        return f"key {key} is unknown"
    try:
        shown = f" = {value!r}"
    except ValueError:  # a whole number of thousands of digits
        shown = ""
    return f"key {key}{shown}: {message[0].lower()}{message[1:]}"
