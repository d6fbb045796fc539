# ruff: noqa
"""Power cuts at any moment, against the real littlefs on flash in memory that counts what is done to it.

One long life of a board: lines are logged, files begun and forgotten, settings changed, and after a random number of
erases and programs power goes, leaving the last of them half done. The next boot mounts the same bytes and looks what
is there: every block that `write` said yes to, in order and byte for byte, and nothing torn. At times power goes again
at once. What must be there is known as SHA-256 of lines that were made by `%` and zlib's CRC.

Arguments: number of cuts and seed, `control` behind them: a log that says yes before it flushes, which must be caught
losing blocks; or `wear`: how often flash is erased.
"""

import gc
import hashlib
import os
import sys

import vfs

import flog
import settings
from flog import Log
from log_bench import Draw, Maker, lines_of

PAGE, BLOCK = 256, 4096
ERASED = b"\xff" * BLOCK
FOLDER = "/board"


class PowerCut(Exception):
    """No OSError: the firmware cannot catch it."""


class Flash:
    """NOR flash: erasing sets all bits of a block, programming clears bits of a page."""

    def __init__(self, data, draw):
        self.data, self.draw = data, draw
        self.n_erases = self.n_programs = 0
        self.left = None  # operations until power goes; None: it stays
        self.dead = False

    def readblocks(self, block, data, offset=0):
        if self.dead:  # the collector closes what was being opened: it allows no allocation, and prints "OSError"
            return
        at = block * BLOCK + offset
        data[:] = self.data[at : at + len(data)]

    def writeblocks(self, block, data, offset=0):
        if self.dead:
            return
        for i in range(0, len(data), PAGE):
            at, page = block * BLOCK + offset + i, bytes(data[i : i + PAGE])
            old = bytes(self.data[at : at + len(page)])
            if old != ERASED[: len(old)]:
                page = bytes(a & b for a, b in zip(old, page))
            if self.is_last():
                done = self.draw(len(page) + 1)
                self.data[at : at + done] = page[:done]
                for k in range(done, min(done + 16, len(page))):  # bits on their way from 1 to 0
                    self.data[at + k] = old[k] & (page[k] | self.draw(256))
                self.cut()
            self.data[at : at + len(page)] = page
            self.n_programs += 1

    def ioctl(self, what, block):
        if what == 4:
            return len(self.data) // BLOCK
        if what == 5:
            return BLOCK
        if what == 6 and not self.dead:
            at = block * BLOCK
            if self.is_last():
                how = self.draw(3)  # mostly old, mostly erased, or neither
                for k in range(at, at + BLOCK, 8):
                    if self.draw(4) < (1, 3, 2)[how]:
                        self.data[k : k + 8] = ERASED[:8]
                    elif self.draw(2):
                        self.data[k + self.draw(8)] |= self.draw(256)
                self.cut()
            self.data[at : at + BLOCK] = ERASED
            self.n_erases += 1
        return 0

    def is_last(self):
        if self.left is None:
            return False
        self.left -= 1
        return self.left < 0

    def cut(self):
        self.dead = True
        raise PowerCut


class Early:
    """A file that flushes only when it is closed."""

    def __init__(self, file):
        self.write, self.close = file.write, file.close

    def flush(self):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *reason):
        self.close()


def digest(lines):
    return hashlib.sha256(b"".join(lines)).digest()


class Life:
    """The board, what it does, and what must be found at its next boot."""

    def __init__(self, seed, n_blocks):
        self.draw = Draw(seed)
        self.data = bytearray(n_blocks * BLOCK)
        for at in range(0, len(self.data), BLOCK):
            self.data[at : at + BLOCK] = ERASED
        self.kept = []  # boot id and digest of each block, in order
        self.under_way = []  # the block that is being written
        self.going = 0  # blocks at the front that are being removed
        self.chosen = {settings.values["rate_hz"]}  # what the setting may be
        self.system = None
        self.doing = ""
        self.n_boots = self.n_synced = self.n_lost = self.n_torn = self.n_settings = self.n_full = 0
        self.n_flushes = self.n_erases = self.n_flush_erases = self.worst = 0
        self.cuts = {}
        vfs.VfsLfs2.mkfs(Flash(self.data, self.draw), progsize=PAGE)

    def mount(self):
        self.flash = Flash(self.data, self.draw)
        self.system = vfs.VfsLfs2(self.flash, progsize=PAGE)
        vfs.mount(self.system, FOLDER)
        os.chdir(FOLDER)

    def unmount(self):
        os.chdir("/")
        vfs.umount(FOLDER)

    def boot(self):
        self.n_boots += 1
        self.boot_id = b"%08x" % (self.draw(1 << 24) << 8 | self.n_boots & 255)
        self.log = Log(self.boot_id.decode())
        self.maker = Maker(self.draw, 256, 4096)

    def look(self):
        """Compare what is there with what must be there, then go on from what is there."""
        log, found, torn = self.log, [], 0
        for number, n_blocks in log.files():
            boot = log.boot_of(number)
            for i in range(n_blocks):
                lines = lines_of(log, number, i)
                if lines is None:
                    torn += 1
                else:
                    found.append((boot, digest(lines)))
        may_be = [kept + new for kept in (self.kept, self.kept[self.going :]) for new in ([], self.under_way)]
        if torn or found not in may_be:
            must = self.kept[self.going :]
            lost = [block for block in must if block not in found]
            strange = [block for block in found if block not in self.kept + self.under_way]
            self.n_lost += len(lost)
            self.n_torn += torn + len(strange)
            if not lost and not torn and not strange:
                self.n_torn += 1  # twice, or out of order
        self.kept, self.under_way, self.going = found, [], 0
        settings.load()
        if settings.refused or settings.values["rate_hz"] not in self.chosen:
            self.n_settings += 1
        self.chosen = {settings.values["rate_hz"]}

    # ---- what a board does

    def write(self):
        log, draw = self.log, self.draw
        lines = self.maker.fill(log, 1000 if draw(12) == 0 else 1 + draw(12))
        self.under_way = [(self.boot_id, digest(lines))]
        self.doing = "write" if log._file is not None else "rotate"
        before = self.flash.n_erases
        if log.write():
            self.kept += self.under_way
            self.n_synced += 1
            n = self.flash.n_erases - before
            self.n_flush_erases += n
            self.worst = max(self.worst, n)
        else:
            assert log.failed == b"full", log.failed
            self.n_full += 1
            log.n_waiting, log._end = 0, flog.HEAD
            self.under_way = []
            self.forget()
        self.under_way = []

    def forget(self):
        log = self.log
        files = log.files()
        if files:
            self.doing = "forget"
            number, self.going = files[0]
            assert log.forget(number)
            self.kept = self.kept[self.going :]
            self.going = 0

    def choose(self):
        self.doing = "settings"
        value = 1 + self.draw(100)
        self.chosen.add(value)
        assert settings.choose("rate_hz", str(value)) == ""
        self.chosen = {value}

    def act(self):
        what = self.draw(20)
        if what >= 14 and self.draw(4) == 0:  # few operations, so seldom hit by chance
            self.flash.left = min(self.flash.left, self.draw(3))
        if what < 12:
            self.write()
        elif what < 14:
            self.log.close()
        elif what < 16:
            self.forget()
        else:
            self.choose()

    def live(self, n_operations, n_actions):
        """From power on to power off, which comes after so many operations, or after so many actions."""
        self.mount()
        self.log = None
        try:
            self.flash.left = (None, None, 0, 2)[
                self.draw(4)
            ]  # what starting does to flash, if anything, may be cut too
            self.doing = "boot"
            self.boot()
            self.look()
            self.flash.left = n_operations
            for _ in range(n_actions):
                self.act()
            self.flash.dead = True  # between two operations
            self.doing = "idle"
        except PowerCut:
            pass
        self.cuts[self.doing] = self.cuts.get(self.doing, 0) + 1
        if self.log is not None:
            try:
                self.log.close()
            except Exception:
                pass
        self.unmount()


def cuts(n_cuts, seed):
    life = Life(seed, 80)
    draw = life.draw
    n = n_again = 0
    while n < n_cuts:
        again = n > 0 and draw(3) == 0
        life.live(draw(12) if again else draw((100, 300, 900)[draw(3)]), 25)
        n += 1
        n_again += again
        if n % 20 == 0:
            gc.collect()
    life.mount()
    life.boot()
    life.look()
    life.write()  # it still works
    life.log.close()
    life.look()
    life.unmount()
    print("cuts", n, "soon_again", n_again, "synced", life.n_synced, "full", life.n_full)
    print("lost", life.n_lost, "torn", life.n_torn, "settings_broken", life.n_settings)
    for doing in life.cuts:
        print("cut_at_" + doing, life.cuts[doing])


def wear(n_files):
    """Full blocks, file after file, on flash of an RP2040's size; the oldest file goes when there are eight."""
    life = Life(7, 352)
    life.mount()
    life.boot()
    n_bytes = n_programs = 0
    erases = {}
    while n_bytes < n_files * flog.BLOCKS_A_FILE * BLOCK:
        if len(life.log.files()) == 8:
            life.forget()
        life.maker.fill(life.log, 1000)
        before = life.flash.n_erases
        assert life.log.write()
        n = life.flash.n_erases - before
        erases[n] = erases.get(n, 0) + 1
        n_bytes += BLOCK
    life.log.close()
    print("flushes", n_bytes // BLOCK, "kib", n_bytes // 1024, "erases", life.flash.n_erases, "worst", max(erases))
    print("programs", life.flash.n_programs)
    for n in sorted(erases):
        print("flushes_with_%d_erases" % n, erases[n])
    life.unmount()


if "control" in sys.argv:
    flog.open = lambda path, mode: Early(open(path, mode)) if mode == "wb" else open(path, mode)
if "wear" in sys.argv:
    wear(24)
else:
    cuts(int(sys.argv[1]), int(sys.argv[2]))
