# ruff: noqa
"""Fills a board's flash: `full` with one file until it refuses, `many` with a hundred and more logs of a block each."""

import os
import sys

import flash

flash.mount()
if sys.argv[1] == "full":
    n = 0
    file = open("big", "wb")
    try:
        while True:
            file.write(b"x" * flash.BLOCK)
            file.flush()
            n += 1
    except OSError:
        pass
    try:
        file.close()
    except OSError:
        pass
    print("blocks", n)
else:
    import flog
    from log_bench import Draw, Maker

    for n in range(int(sys.argv[2])):
        log = flog.Log("%08x" % (n + 1)) if not n else log
        log._block[4:8] = bytes((0, 0, n >> 8, n & 255))
        Maker(Draw(n), 64, 1024).fill(log, 3)
        assert log.write()
        log.close()
    print("files", log.n_files)
