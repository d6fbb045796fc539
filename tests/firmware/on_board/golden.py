# ruff: noqa
"""Writes the golden lines with the firmware's own writer, from the fields in the JSON file named as argument."""

import json
import sys

from core import Clock, Note, Ring

clock, ring, note = Clock(), Ring(16, 4096), Note()
out = bytearray(400)
with open(sys.argv[1]) as file:
    cases = json.load(file)
for case in cases:
    clock.hi, clock.lo = case["t_us"] >> 28, case["t_us"] & 0xFFFFFFF
    ring.seq = case["seq"]
    if case["kind"] == "S":
        ring.sample(
            clock, case["edges"], case["age_us"], case["raw_dp"] & 0xFFFF, case["raw_temp"] & 0xFFFF, case["flags"]
        )
    else:
        note.start(case["message"].encode(), ring.seq, clock)
        for name, value in case["keys"]:
            if isinstance(value, str):
                note.word(name.encode(), value.encode())
            elif value is True or value is False:
                note.truth(name.encode(), value)
            elif isinstance(value, list):
                note.number(name.encode(), value[0], value[1])
            else:
                note.number(name.encode(), value)
        note.finish()
        ring.note(clock, note)
    n = ring.line_into(out, 0, case["seq"])
    again = bytearray(400)
    assert ring.line_into(again, 7, case["seq"]) == n and again[7 : 7 + n] == out[:n]
    sys.stdout.buffer.write(out, n)
