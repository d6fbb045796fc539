"""The hood file with new constants in it: the user's own text, comments and order kept, the numbers exchanged.

Numbers are rounded to what their uncertainty warrants. What comes out is read back before it is given out: it parses as
a hood file and says the old content plus the changes, else it is refused. Text in, text out: no file is opened here.
"""

from __future__ import annotations

import datetime
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hoodtrace.errors import HoodError
from hoodtrace.physics.hood import parse_hood

DIGITS = 6  # significant digits of a constant with no uncertainty beside it
MANY = 1e6  # degrees of freedom that are as good as infinite

# Which uncertainty a constant is rounded by; True where that is relative.
_ROUNDED_BY = {
    "k": ("u_k_rel", True),
    "c": ("u_c_rel", True),
    "offset_m_s": ("u_offset_m_s", False),
    "exponent": ("u_exponent", False),
    "zero_pa": ("u_zero_pa", False),
    "taps_share": ("u_taps_share_rel", True),
}
# Constants fitted together pull against each other: at a correlation of -0.995 the line is known ten times better than
# either of them, so an uncertainty keeps three digits, not the usual two, and its constant as many decimals.
_U_DIGITS = 3
_R_DECIMALS = 5

TomlValue = str | bool | int | float | list[float] | list[str] | datetime.date


def new_hood_toml(old_text: str, changes: Mapping[str, TomlValue | None], path: Path | str = "hood.toml") -> str:
    """Return the hood file `old_text` with new constants in it; comments, order and all other keys stay as they were.

    Parameters
    ----------
    old_text : str
        A hood file that `parse_hood` accepts.
    changes : mapping
        Dotted path of a key ("vane.extract.k") to its new value. None takes the key away; in an extract table that
        makes the plain table's hold there too. Infinite degrees of freedom are said by no key, in an extract table
        by `MANY`. Constants are rounded by the uncertainty that stands beside them in `changes`.
    path : Path or str
        What messages call the file.

    Raises
    ------
    HoodError
        A number is NaN; `old_text` or the new text is refused by `parse_hood`; or it is laid out so that it can't be
        edited.

    Examples
    --------
    >>> old = "name = 'a'\\n[pipe]\\nbore_mm = 104.0\\nlength_mm = 200.0\\n"
    >>> old += "[taps]\\ncount = 4\\nc = 0.7  # a guess\\nu_c_rel = 0.1\\nzero_pa = 0.0\\nu_zero_pa = 0.02\\n"
    >>> print(new_hood_toml(old, {"taps.c": 0.713482, "taps.u_c_rel": 0.0213456}).split("count = 4\\n")[1])
    c = 0.7135  # a guess
    u_c_rel = 0.0213
    zero_pa = 0.0
    u_zero_pa = 0.02
    <BLANKLINE>
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    parse_hood(old_text, path)
    spoiled = tuple(key for key, value in changes.items() if isinstance(value, float) and math.isnan(value))
    if spoiled:
        raise HoodError(path, f"the calibration gave no number for {', '.join(spoiled)}. Look at its points.", spoiled)
    wanted = tomllib.loads(old_text)
    rounded = {key: _warranted(key, changes) for key in changes}
    try:
        document = tomlkit.parse(old_text)
        for key, value in rounded.items():
            *tables, last = key.split(".")
            _set(document, tables, last, value)
            _set(wanted, tables, last, value)
        text = tomlkit.dumps(document)
        whole = tomllib.loads(text) == wanted
    except (TOMLKitError, ValueError, TypeError) as error:
        raise _not_editable(path) from error
    if not whole:
        raise _not_editable(path)
    parse_hood(text, path)
    return text


def _not_editable(path: Path | str) -> HoodError:
    return HoodError(path, "new constants can't be put in: write its tables as [vane], [taps], not as dotted keys.")


def _set(table: Any, names: list[str], key: str, value: TomlValue | None) -> None:
    """Set `key` under the tables `names`; in a TOML document a new key follows the last one, before its comments."""
    import tomlkit
    from tomlkit.items import InlineTable, Table

    for name in names:
        if name not in table:
            if value is None:
                return
            inline = isinstance(table, InlineTable)
            table[name] = {} if type(table) is dict else tomlkit.inline_table() if inline else tomlkit.table()
        table = table[name]
    if value is None:
        if key in table:
            del table[key]
        return
    plain = (
        [k for k, v in table.value.body if k is not None and not isinstance(v, Table)] if type(table) is Table else []
    )
    if key in table or not plain or plain[-1].is_dotted():
        table[key] = value
    else:
        table.value._insert_after(plain[-1], key, tomlkit.item(value))


def _warranted(path: str, changes: Mapping[str, TomlValue | None]) -> TomlValue | None:
    value = changes[path]
    if isinstance(value, list):
        return [_digits(each, 4) if not isinstance(each, str) else each for each in value]  # type: ignore[return-value]
    if value is None or isinstance(value, (str, bool, int, datetime.date)):
        return value
    if math.isinf(value):
        return MANY if ".extract." in path else None
    prefix, _, key = path.rpartition(".")
    if key.startswith("r_"):
        return round(float(value), _R_DECIMALS)
    if key in _ROUNDED_BY:
        name, relative = _ROUNDED_BY[key]
        u = changes.get(f"{prefix}.{name}")
        if isinstance(u, float) and 0.0 < u < math.inf:
            size = u * abs(value) if relative else u
            if size > 0.0:
                return round(float(value), _U_DIGITS - 1 - math.floor(math.log10(size)))
        return _digits(value, DIGITS)
    return _digits(value, _U_DIGITS)


def _digits(value: float, n_digits: int) -> float:
    return float(f"{value:.{n_digits}g}")
