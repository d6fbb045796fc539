"""What is soldered to which pin: the one table that the firmware, the drawing and the wiring page are made from.

GPIO numbers by family of microcontroller, as `sys.platform` calls it. The ESP32 column avoids pins that the classic
ESP32 or the S3 needs for its own start, flash or USB (from memory of the data sheets).
"""

PINS = {
    "rp2": {"vane": 15, "button": 14, "buzzer": 16, "led": 17, "sda": 4, "scl": 5},
    "esp32": {"vane": 14, "button": 4, "buzzer": 17, "led": 13, "sda": 21, "scl": 18},
}

# Pins that are there but carry the chip's own flash, memory or USB, on the classic ESP32 or on the S3: a choice of one
# would stop the board before it could say why (from memory of the data sheets).
TAKEN = {"esp32": (6, 7, 8, 9, 10, 11, 19, 20, 26, 27, 28, 29, 30, 31, 32)}
