"""The inner loops of the line writer: hex digits, CRC-32, a sample's record and its text.

Compiled to machine code on the board (viper). No value leaves -2^30..2^30-1, so the same source is right, only
slower, as bytecode or under CPython. CRC-32 therefore runs as two 16-bit halves.

A record is one line's 22 bytes in the ring, big-endian: kind (4 bits) and SEQ (28), TIME (56), EDGES (24),
AGE (24), DP (16), TEMP (16), FLAGS (8). A sample's text is always made from its record, so a line sent again is
byte for byte the first one.
"""

from array import array

import micropython

RECORD = 22
HEX = b"0123456789abcdef"
FIELDS = b"\x03\x07\x03\x03\x02\x02\x01"  # bytes of a record after its first, by field of the line


def crc_tables():
    """The 256-entry table of CRC-32 (reflected polynomial edb88320), low and high halves."""
    low, high = array("H", [0] * 256), array("H", [0] * 256)
    for i in range(256):
        lo, hi = i, 0
        for _ in range(8):
            odd = lo & 1
            lo = (lo >> 1) | ((hi & 1) << 15)
            hi >>= 1
            if odd:
                lo ^= 0x8320
                hi ^= 0xEDB8
        low[i], high[i] = lo, hi
    return low, high


CRC_LOW, CRC_HIGH = crc_tables()


@micropython.viper
def hex_into(out: ptr8, at: int, value: int, digits: int):
    """Write `value` as so many lower-case hex digits."""
    hexes = ptr8(HEX)
    while digits > 0:
        digits -= 1
        out[at + digits] = hexes[value & 15]
        value >>= 4


@micropython.viper
def crc_into(out: ptr8, at: int, data: ptr8, start: int, stop: int):
    """Write the CRC-32 of data[start:stop] as 8 hex digits."""
    low, high, hexes = ptr16(CRC_LOW), ptr16(CRC_HIGH), ptr8(HEX)
    lo = 0xFFFF
    hi = 0xFFFF
    while start < stop:
        i = (lo ^ data[start]) & 0xFF
        lo = ((lo >> 8) | ((hi & 0xFF) << 8)) ^ low[i]
        hi = (hi >> 8) ^ high[i]
        start += 1
    lo ^= 0xFFFF
    hi ^= 0xFFFF
    shift = 12
    while shift >= 0:
        out[at] = hexes[(hi >> shift) & 15]
        out[at + 4] = hexes[(lo >> shift) & 15]
        at += 1
        shift -= 4


@micropython.viper
def pack(ring: ptr8, at: int, seq: int, hi: int, lo: int, edges: int, age: int, dp: int, temp: int, flags: int):
    """Write a record; TIME comes as two 28-bit halves."""
    ring[at] = seq >> 24
    ring[at + 1] = (seq >> 16) & 255
    ring[at + 2] = (seq >> 8) & 255
    ring[at + 3] = seq & 255
    ring[at + 4] = hi >> 20
    ring[at + 5] = (hi >> 12) & 255
    ring[at + 6] = (hi >> 4) & 255
    ring[at + 7] = ((hi & 15) << 4) | (lo >> 24)
    ring[at + 8] = (lo >> 16) & 255
    ring[at + 9] = (lo >> 8) & 255
    ring[at + 10] = lo & 255
    ring[at + 11] = edges >> 16
    ring[at + 12] = (edges >> 8) & 255
    ring[at + 13] = edges & 255
    ring[at + 14] = age >> 16
    ring[at + 15] = (age >> 8) & 255
    ring[at + 16] = age & 255
    ring[at + 17] = dp >> 8
    ring[at + 18] = dp & 255
    ring[at + 19] = temp >> 8
    ring[at + 20] = temp & 255
    ring[at + 21] = flags


@micropython.viper
def text_into(out: ptr8, at: int, ring: ptr8, record: int):
    """Write a record as the 52 bytes of a sample line in front of its CRC."""
    hexes, fields = ptr8(HEX), ptr8(FIELDS)
    out[at] = 83  # S
    out[at + 1] = 32
    out[at + 2] = hexes[ring[record] & 15]
    at += 3
    record += 1
    field = 0
    while field < 7:
        left = fields[field]
        while left > 0:
            byte = ring[record]
            out[at] = hexes[byte >> 4]
            out[at + 1] = hexes[byte & 15]
            at += 2
            record += 1
            left -= 1
        out[at] = 32
        at += 1
        field += 1
