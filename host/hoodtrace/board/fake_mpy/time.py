"""The board's `time`: ticks of 2^30 us as on a 32-bit board, starting 5 s before they wrap."""

from world import world

MASK = (1 << 30) - 1
HALF = 1 << 29
AT_BOOT = (1 << 30) - 5_000_000


def ticks_us():
    """Microseconds, modulo 2^30."""
    world.catch_up()
    return (AT_BOOT + world.now_us - world.boot_us) & MASK


def ticks_diff(later, earlier):
    """later - earlier, right within half a period."""
    return ((later - earlier + HALF) & MASK) - HALF


def ticks_add(ticks, delta):
    """Ticks moved on."""
    return (ticks + delta) & MASK


def sleep_us(duration_us):
    """Let time pass."""
    world.sleep(duration_us)


def sleep_ms(duration_ms):
    """Let time pass."""
    world.sleep(duration_ms * 1000)
