"""What is soldered and what is chosen. The only file to edit when a board is wired differently.

Pins are GPIO numbers. The vane's sensor is open collector with an outside pull-up to 3.3 V (idle high).
The sensors share one I2C bus with outside pull-ups; 100 kHz allows about a metre of cable.
"""

PIN_VANE = 15
PIN_BUTTON = 14  # to ground; pressed is low
PIN_SDA = 4
PIN_SCL = 5
I2C_ID = 0
I2C_HZ = 100_000
I2C_TIMEOUT_US = 5_000

RATE_HZ = 50
RATE_MAX_HZ = 100
VANE_DEAD_US = 300  # a second edge sooner than this is contact bounce, not air
AIR_EVERY_US = 5_000_000
HELLO_EVERY_US = 10_000_000
STATUS_EVERY_US = 60_000_000
LEASE_US = 3_000_000  # the board streams this long after each `keep`

RING_LINES = 4096  # a power of two; 22 bytes each: 82 s at 50 lines a second
RING_TEXT = 16384  # a power of two; bytes for the J lines among them

BOARD = None  # None: what MicroPython calls the board
BOOT = None  # None: random at each boot; else 8 hex digits
