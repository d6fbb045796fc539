"""Makes lines.json: the fields of the golden lines, drawn and chosen without the firmware, and the line each must give.

lines.txt beside it is what the firmware's writer makes of the fields (tests/firmware/test_lines.py). The expected line
here comes from str.format and zlib.crc32 alone. Run it from this folder when the format gets new cases.
"""

import json
from pathlib import Path
from zlib import crc32

import numpy as np


def sample(seq: int, t_us: int, edges: int, age_us: int, raw_dp: int, raw_temp: int, flags: int) -> dict[str, object]:
    head = f"S {seq:07x} {t_us:014x} {edges:06x} {age_us:06x} {raw_dp & 0xFFFF:04x} {raw_temp & 0xFFFF:04x} {flags:02x}"
    return {
        "kind": "S", "seq": seq, "t_us": t_us, "edges": edges, "age_us": age_us, "raw_dp": raw_dp,
        "raw_temp": raw_temp, "flags": flags, "line": f"{head} {crc32(head.encode()):08x}",
    }  # fmt: skip


def message(seq: int, t_us: int, kind: str, *keys: tuple[str, object]) -> dict[str, object]:
    """A [number, places] pair stands for number / 10^places, written with so many decimals."""
    parts = [f'"kind":"{kind}"']
    for name, value in keys:
        if isinstance(value, list):
            number, places = value
            parts.append(f'"{name}":{number / 10**places:.{places}f}')
        else:
            parts.append(f'"{name}":{json.dumps(value)}')
    head = f"J {seq:07x} {t_us:014x} {{{','.join(parts)}}}"
    return {
        "kind": "J", "seq": seq, "t_us": t_us, "message": kind, "keys": keys,
        "line": f"{head} {crc32(head.encode()):08x}",
    }  # fmt: skip


def cases() -> list[dict[str, object]]:
    """Edges of every field, then 40 drawn samples."""
    found = [
        message(0, 61_234, "hello", ("protocol", 1), ("firmware", "0.1.0"), ("board", "golden"), ("boot", "00c0ffee"),
                ("rate_hz", 50), ("dp_counts_per_pa", 240), ("dp_temp_counts_per_k", 200)),
        sample(1, 81_234, 0, 0xFFFFFF, 0, 0, 3),
        message(2, 81_234, "air", ("temp_c", [2137, 2]), ("rh_pct", [4805, 2]), ("pressure_pa", 98765)),
        message(3, 81_234, "air", ("temp_c", [-5, 2]), ("rh_pct", [0, 2]), ("pressure_pa", 101325)),
        message(4, 81_234, "reply", ("to", 0), ("ok", True)),
        message(5, 81_234, "reply", ("to", 0xFFFFFFF), ("ok", False), ("why", "unknown command")),
        message(6, 81_234, "button", ("down", True)),
        message(7, 81_234, "fault", ("sensor", "dp"), ("state", "lost")),
        sample(8, 101_234, 1, 0, 1, 4200, 0),
        sample(9, 121_234, 0xFFFFFF, 1, -1, -1, 0),
        sample(10, 141_234, 0, 12_345, 32_767, 32_767, 4),
        sample(11, 161_234, 0x123456, 0xFFFFFE, -32_768, -32_768, 0xFF),
        sample(0xABCDEF0, (1 << 28) - 1, 5, 5, 5, 5, 8),
        sample(0xABCDEF1, 1 << 28, 5, 20_005, 5, 5, 0),
        sample(0xFFFFFFF, (1 << 56) - 1, 6, 6, 6, 6, 0),
    ]  # fmt: skip
    rng = np.random.default_rng(20_261)
    for _ in range(40):
        high = (1 << 28, 1 << 56, 1 << 24, 1 << 24)
        seq, t_us, edges, age_us = (int(rng.integers(0, stop)) for stop in high)
        raw_dp, raw_temp = (int(rng.integers(-32_768, 32_768)) for _ in range(2))
        found.append(sample(seq, t_us, edges, age_us, raw_dp, raw_temp, int(rng.integers(0, 256))))
    return found


if __name__ == "__main__":
    (Path(__file__).parent / "lines.json").write_text(json.dumps(cases(), indent=1) + "\n")
