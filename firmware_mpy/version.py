"""What runs here: the firmware's version and the line protocol that it speaks."""

FIRMWARE = "0.1.0"
PROTOCOL = 1
