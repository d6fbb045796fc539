"""How far two colours are apart to the eye: WCAG 2.2, "contrast ratio" and "relative luminance" (memory)."""

from __future__ import annotations


def contrast(one: str, other: str) -> float:
    """The ratio of two colours "#rrggbb", 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
