"""What runs here: the firmware's version, the line protocol that it speaks, and the files that it is made of."""

FIRMWARE = "0.2.0"
PROTOCOL = 1
FILES = (
    "again.py",
    "air.py",
    "app.py",
    "bus.py",
    "button.py",
    "commands.py",
    "core.py",
    "crash.py",
    "cues.py",
    "dp.py",
    "fast.py",
    "flog.py",
    "identity.py",
    "main.py",
    "orders.py",
    "outbox.py",
    "pins.py",
    "settings.py",
    "supply.py",
    "unheard.py",
    "upkeep.py",
    "vane.py",
    "vane_counter.py",
    "vane_pio.py",
    "version.py",
)
