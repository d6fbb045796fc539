"""The board's flash: an RP2040's geometry in a file, with a real littlefs on it, mounted as the current folder.

HOODTRACE_FLASH names the file. Erasing 4 KiB takes 45 ms and programming 256 bytes 0.4 ms of the board's time (typical
values of serial flash chips; from memory of their data sheets), with no interrupts meanwhile. A read takes 20 us and
1 us for 32 bytes (an estimate, no source: it is the calls that cost), but in a boot's first millisecond nothing, so that
tests may compare the world's time with the board's. What happens before `mount` is through takes no time either: the
board's clock does not run yet. The host's files stay where they are.
"""

import os

import vfs

BLOCK = 4096
N_BLOCKS = 352  # 1408 KiB
PAGE = 256
ERASE_US = 45_000
PAGE_US = 400
READ_US, READ_BYTES_A_US = 20, 32
BOOT_US = 1000
FOLDER = "/flash"


class Flash:
    """Block device."""

    def __init__(self, path):
        self.powered = False
        self._erased = b"\xff" * BLOCK
        try:
            self._file = open(path, "r+b")
        except OSError:
            self._file = open(path, "w+b")
        self._file.seek(N_BLOCKS * BLOCK - 1)
        if not self._file.read(1):
            self._file.write(b"\0")  # the rest is a hole that takes no room on the disk

    def readblocks(self, block, data, offset=0):
        self._file.seek(block * BLOCK + offset)
        self._file.readinto(data)
        if self.powered:
            from world import world

            if world.now_us > world.boot_us + BOOT_US:
                world.advance(world.now_us + READ_US + len(data) // READ_BYTES_A_US)

    def writeblocks(self, block, data, offset=0):
        self._file.seek(block * BLOCK + offset)
        self._file.write(data)
        self._takes((len(data) + PAGE - 1) // PAGE * PAGE_US)

    def ioctl(self, what, block):
        if what == 4:
            return N_BLOCKS
        if what == 5:
            return BLOCK
        if what == 6:
            self._file.seek(block * BLOCK)
            self._file.write(self._erased)
            self._takes(ERASE_US)
        return 0

    def _takes(self, duration_us):
        if self.powered:
            from world import world

            world.stall(duration_us)


def mount():
    """Make the file system the current folder; a flash that holds none gets one, as on a board."""
    flash = Flash(os.getenv("HOODTRACE_FLASH"))
    try:
        system = vfs.VfsLfs2(flash, progsize=PAGE)
    except OSError:
        vfs.VfsLfs2.mkfs(flash, progsize=PAGE)
        system = vfs.VfsLfs2(flash, progsize=PAGE)
    vfs.mount(system, FOLDER)
    os.chdir(FOLDER)
    flash.powered = True
