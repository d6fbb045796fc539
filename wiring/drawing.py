"""Draws wiring.svg: `python wiring/drawing.py`.

GPIO numbers come from firmware_mpy/pins.py, the table that the firmware runs with; FITTED says what hangs on each pin.
The README's tables and the parts list are compared with both by tests/unit/test_wiring.py. The same input gives the
same bytes, so the picture in the repository can be compared with a fresh one. Lengths are units of 36 points.
"""

from __future__ import annotations

import itertools
import re
import runpy
from pathlib import Path
from typing import NamedTuple

import schemdraw
import schemdraw.elements as elm

FOLDER = Path(__file__).resolve().parent
PINS = runpy.run_path(str(FOLDER.parent / "firmware_mpy" / "pins.py"))["PINS"]

# The usual board of 40 pins, from memory: pin 1 at the left of the USB plug, then round to pin 40 at its right.
BOARD_40 = (
    "GP0 GP1 GND GP2 GP3 GP4 GP5 GND GP6 GP7 GP8 GP9 GND GP10 GP11 GP12 GP13 GND GP14 GP15 "
    "GP16 GP17 GND GP18 GP19 GP20 GP21 GND GP22 RUN GP26 GP27 GND GP28 ADC_VREF 3V3 3V3_EN GND VSYS VBUS"
).split()


class Fitted(NamedTuple):
    """A part: its name in the drawing, what it is, and what it does."""

    name: str
    value: str
    job: str


FITTED = {
    "vane": (
        Fitted("R1", "4.7 kΩ", "pull-up of the vane's output to 3.3 V"),
        Fitted("R2", "1 kΩ", "in series, between vane and pin"),
        Fitted("C1", "10 nF", "from the pin to ground"),
    ),
    "button": (Fitted("R3", "1 kΩ", "in series, between button and pin"),),
    "led": (Fitted("R4", "470 Ω", "in series, between pin and LED"),),
    "buzzer": (
        Fitted("R5", "1 kΩ", "in series, between pin and the transistor's base"),
        Fitted("R6", "1 kΩ", "across the buzzer"),
        Fitted("Q1", "NPN", "switches the buzzer"),
    ),
    "sda": (Fitted("R7", "4.7 kΩ", "pull-up to 3.3 V"),),
    "scl": (Fitted("R8", "4.7 kΩ", "pull-up to 3.3 V"),),
    "ground": (Fitted("R9", "1 MΩ", "from the hood's metal to ground"),),
}
VALUE = {part.name: part.value for parts in FITTED.values() for part in parts}

WIDTH, HEIGHT = 22.6, 19.3
RED, GREEN, BLUE, ORANGE, GREY = "#b3261e", "#1b7a36", "#1f5fbf", "#b35900", "#555555"


def board_pin(gpio: int) -> int:
    """Number of the pin of the usual 40-pin board that carries this GPIO."""
    return BOARD_40.index(f"GP{gpio}") + 1


def words(text: str, x: float, y: float, size: float = 12, color: str = "black", align: str = "left") -> None:
    """Text; `align` says which side of it the point is at."""
    elm.Label().at((x, y)).theta(0).label(text, ofst=(0, 0), fontsize=size, color=color, halign=align, valign="center")


def wire(*points: tuple[float, float], color: str = "black") -> None:
    """Straight wires from point to point."""
    for start, end in itertools.pairwise(points):
        elm.Line().at(start).to(end).color(color)


def joint(x: float, y: float) -> None:
    """A dot that joins wires."""
    elm.Dot().at((x, y))


def box(x: float, y: float, width: float, height: float, fill: str) -> None:
    """A filled box with its lower left corner at the point."""
    elm.Rect(corner1=(0, 0), corner2=(width, height)).at((x, y)).theta(0).fill(fill)


def supply(x: float, y: float) -> None:
    """A sign for 3.3 V above the point."""
    elm.Vdd().at((x, y)).theta(0).color(RED)
    words("3.3 V", x, y + 0.85, 13, RED, "center")


def ground(x: float, y: float) -> None:
    """A sign for ground under the point."""
    elm.Ground().at((x, y)).theta(0)


def part(kind: type[elm.Element2Term], start: tuple[float, float], end: tuple[float, float]) -> None:
    """A part with two legs."""
    kind().at(start).to(end)


def named(name: str, x: float, y: float, align: str = "left") -> None:
    """A part's name and value."""
    words(f"{name} {VALUE[name]}", x, y, 13, "black", align)


MCU_LEFT, MCU_RIGHT, MCU_TOP, MCU_BOTTOM = 9.2, 14.4, 17.4, 3.6
ROWS = {"vane": 15.0, "button": 11.9, "led": 10.0, "buzzer": 5.4, "sda": 12.7, "scl": 10.4}


def pin(name: str) -> None:
    """A pin of the board: what it is called inside, the usual board's pin number outside."""
    y, right = ROWS[name], name in ("sda", "scl")
    x, align = (MCU_RIGHT - 0.2, "right") if right else (MCU_LEFT + 0.2, "left")
    words(name, x, y + 0.5, 16, "black", align)
    words(f"GPIO {PINS['rp2'][name]}", x, y, 13, "black", align)
    words(f"ESP32: {PINS['esp32'][name]}", x, y - 0.45, 12, GREY, align)
    outside = f"pin {board_pin(PINS['rp2'][name])}"
    words(outside, x + 0.3 if right else x - 0.6, y + 0.25, 11, GREY, "left" if right else "right")


def board() -> None:
    """The board in the middle with its pins, plug and supply."""
    box(MCU_LEFT, MCU_BOTTOM, MCU_RIGHT - MCU_LEFT, MCU_TOP - MCU_BOTTOM, "#eef3fb")
    middle = (MCU_LEFT + MCU_RIGHT) / 2
    words("board", middle, 8.3, 18, "black", "center")
    words("RP2040 or RP2350", middle, 7.7, 13, "black", "center")
    words("grey: an ESP32", middle, 7.2, 12, GREY, "center")
    for name in ROWS:
        pin(name)
    box(middle - 0.8, MCU_TOP - 0.4, 1.6, 0.9, "#d5d9e0")
    words("USB", middle, MCU_TOP - 0.05, 13, "black", "center")
    words("to the computer or a power bank", middle, MCU_TOP + 0.95, 13, "black", "center")
    x, y = MCU_RIGHT, 16.2
    words("3V3", x - 0.2, y, 16, RED, "right")
    words(f"pin {BOARD_40.index('3V3') + 1}", x + 0.1, y - 0.4, 11, GREY)
    wire((x, y), (x + 1.0, y), color=RED)
    supply(x + 1.0, y)
    y = 5.4
    words("GND", x - 0.2, y, 16, "black", "right")
    words(f"pin {len(BOARD_40) - BOARD_40[::-1].index('GND')}", x + 0.1, y + 0.25, 11, GREY)
    wire((x, y), (x + 1.0, y))
    ground(x + 1.0, y)


def vane() -> None:
    """The vane with its pull-up and filter."""
    y = ROWS["vane"]
    box(0.3, y - 1.4, 2.7, 2.8, "#fdf3e4")
    words("vane", 0.5, y + 0.3, 14)
    words("sensor", 0.5, y - 0.3, 14)
    words("open collector", 0.3, y - 1.75, 12, GREY)
    for label, dy in (("+", 0.9), ("out", 0.0), ("−", -0.9)):
        words(label, 2.85, y + dy, 14, "black", "right")
    wire((3.0, y + 0.9), (3.6, y + 0.9), color=RED)
    supply(3.6, y + 0.9)
    wire((3.0, y - 0.9), (3.6, y - 0.9))
    ground(3.6, y - 0.9)
    wire((3.0, y), (4.9, y), color=ORANGE)
    joint(4.9, y)
    part(elm.ResistorIEC, (4.9, y), (4.9, y + 2.0))
    supply(4.9, y + 2.0)
    named("R1", 5.25, y + 1.0)
    part(elm.ResistorIEC, (4.9, y), (7.4, y))
    named("R2", 6.15, y - 0.7, "center")
    joint(7.4, y)
    part(elm.Capacitor, (7.4, y), (7.4, y - 1.7))
    ground(7.4, y - 1.7)
    named("C1", 6.95, y - 1.45, "right")
    wire((7.4, y), (MCU_LEFT, y), color=ORANGE)


def button_and_led() -> None:
    """The two rows with a single resistor."""
    y = ROWS["button"]
    ground(1.4, y)
    part(elm.Button, (1.4, y), (3.8, y))
    words("button", 2.6, y - 0.5, 15, "black", "center")
    part(elm.ResistorIEC, (3.8, y), (7.6, y))
    named("R3", 5.7, y - 0.7, "center")
    wire((7.6, y), (MCU_LEFT, y))
    y = ROWS["led"]
    part(elm.ResistorIEC, (MCU_LEFT, y), (5.2, y))
    named("R4", 7.2, y - 0.7, "center")
    part(elm.LED, (5.2, y), (1.4, y))
    words("LED", 2.2, y - 0.55, 15, "black", "center")
    words("long leg", 3.9, y + 0.25, 12, GREY)
    ground(1.4, y)


def buzzer() -> None:
    """The buzzer and the transistor that switches it."""
    y = ROWS["buzzer"]
    base, node, top = (5.4, y), y + 0.9, y + 2.6
    transistor = elm.BjtNpn(circle=True).at(base).theta(0).anchor("base").reverse()
    collector, emitter = transistor.collector, transistor.emitter
    part(elm.ResistorIEC, (MCU_LEFT, y), base)
    named("R5", 7.3, y - 0.7, "center")
    ground(emitter.x, emitter.y)
    words("C", collector.x + 0.2, y + 0.75, 12, GREY)
    words("E", emitter.x + 0.25, y - 1.0, 12, GREY)
    words("B", 5.55, y + 0.25, 12, GREY)
    named("Q1", collector.x - 0.65, y, "right")
    wire((collector.x, collector.y), (collector.x, node), (1.5, node))
    joint(3.1, node)
    part(elm.ResistorIEC, (3.1, node), (3.1, top))
    joint(3.1, top)
    supply(3.1, top)
    named("R6", 3.5, (node + top) / 2)
    wire((3.1, top), (1.5, top))
    speaker_at = (1.5, (node + top) / 2 + 0.25)
    elm.Speaker().at(speaker_at).theta(0).anchor("in1").reverse()
    wire((1.5, top), speaker_at)
    wire((1.5, speaker_at[1] - 0.5), (1.5, node))
    words("passive", 0.3, node - 0.45, 14)
    words("buzzer", 0.3, node - 1.0, 14)


def chip(sda_y: float, title: str, kind: str, sda_x: float, scl_x: float) -> None:
    """A chip on the two wires of the bus, which run down at sda_x and scl_x."""
    x, supply_y, scl_y, ground_y = 18.9, sda_y + 0.8, sda_y - 0.8, sda_y - 1.6
    box(x, ground_y - 0.5, 3.2, 3.4, "#eaf5ec")
    words(title, x + 1.6, supply_y + 0.9, 15, "black", "center")
    words(kind, x + 2.95, sda_y - 0.4, 11, GREY, "right")
    for label, y in (("3.3 V", supply_y), ("SDA", sda_y), ("SCL", scl_y), ("GND", ground_y)):
        words(label, x + 0.15, y, 13)
    wire((x, supply_y), (x - 0.5, supply_y), color=RED)
    supply(x - 0.5, supply_y)
    wire((x, sda_y), (sda_x, sda_y), color=GREEN)
    joint(sda_x, sda_y)
    wire((x, scl_y), (scl_x, scl_y), color=BLUE)
    joint(scl_x, scl_y)
    wire((x, ground_y), (x - 0.5, ground_y))
    ground(x - 0.5, ground_y)


def chips() -> None:
    """The bus with its pull-ups and the two chips."""
    sda_y, scl_y, sda_x, scl_x, low = ROWS["sda"], ROWS["scl"], 16.6, 17.6, 6.9
    foot, top = 14.5, 16.5
    chip(sda_y, "pressure chip", "SDP8xx", sda_x, scl_x)
    chip(low, "air chip", "BME280", sda_x, scl_x)
    wire((MCU_RIGHT, sda_y), (sda_x, sda_y), color=GREEN)
    wire((sda_x, foot), (sda_x, low), color=GREEN)
    wire((MCU_RIGHT, scl_y), (scl_x, scl_y), color=BLUE)
    joint(scl_x, scl_y)
    wire((scl_x, foot), (scl_x, low - 0.8), color=BLUE)
    part(elm.ResistorIEC, (sda_x, foot), (sda_x, top))
    part(elm.ResistorIEC, (scl_x, foot), (scl_x, top))
    wire((sda_x, top), (scl_x, top), color=RED)
    joint(sda_x, top)
    supply(sda_x, top)
    words("R7", sda_x - 0.5, 15.6, 13, "black", "right")
    words(VALUE["R7"], sda_x - 0.5, 15.1, 13, "black", "right")
    named("R8", scl_x + 0.35, 15.5)
    for port, y in (("+", sda_y + 0.5), ("−", sda_y - 1.3)):
        box(22.1, y - 0.15, 0.4, 0.3, "#d5d9e0")
        words(port, 21.9, y, 14, "black", "right")
    words("+ and −: tubes to the taps", 22.3, sda_y - 2.75, 12, GREY, "right")


def bond() -> None:
    """The hood's metal bonded to ground."""
    y = 2.9
    part(elm.ResistorIEC, (18.9, y), (16.2, y))
    named("R9", 17.55, y - 0.7, "center")
    ground(16.2, y)
    box(18.9, y - 0.5, 3.2, 1.0, "#eeeeee")
    words("hood's metal", 20.4, y - 0.1, 14, "black", "center")


def legend() -> None:
    """How to read it."""
    words("Every red sign “3.3 V” is one wire, and so is every ground sign.", 0.4, 1.5, 14)
    words("A dot joins wires; wires that cross without a dot do not touch.", 0.4, 0.8, 14)


def svg() -> bytes:
    """Return the drawing."""
    schemdraw.use("svg")
    schemdraw.svgconfig.text = "text"
    schemdraw.svgconfig.useBatik = True  # heights of letters reckoned here: not all that show SVG can
    with schemdraw.Drawing(show=False) as drawing:
        drawing.config(unit=2, inches_per_unit=0.5, fontsize=12, font="sans", lw=1.6, bgcolor="white", margin=0)
        elm.Rect(corner1=(0, 0), corner2=(WIDTH, HEIGHT)).at((0, 0)).fill("white").color("white")
        for draw in (board, vane, button_and_led, buzzer, chips, bond, legend):
            draw()
    text = drawing.get_imagedata("svg").decode("utf-8")
    # The last digits of a sine differ between machines; a hundredth of a point is finer than any screen.
    return re.sub(r"-?\d+\.\d+", lambda found: f"{round(float(found[0]), 2) + 0.0:g}", text).encode("utf-8") + b"\n"


if __name__ == "__main__":
    (FOLDER / "wiring.svg").write_bytes(svg())
