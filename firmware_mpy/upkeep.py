"""The commands that look after the board: who it is, its settings, its log, its restarts.

Each is a generator: it yields wherever the cycle may end, and goes on when there is room again for two lines.
"""

import gc

import machine

import crash
import identity
import settings
from version import FIRMWARE, PROTOCOL


def answer(app, to, words):
    """The job that answers the command `to`; None for an unknown one."""
    if len(words) > 1 and words[0] == "crash":
        words = [" ".join(words)]
    job = JOBS.get(words[0])
    if job is None or len(words) - 1 != job[1]:
        return None
    return job[0](app, to, *words[1:])


def number(text):
    """A whole number from 0 on written in up to eight decimal digits, else -1."""
    return int(text) if 0 < len(text) < 9 and all("0" <= c <= "9" for c in text) else -1


def say_identity(app, to):
    """Who the board is, and how it does."""
    outbox = app.outbox
    note = outbox.note
    outbox.reply(to, True)
    outbox.start(b"identity")
    note.word(b"firmware", FIRMWARE.encode())
    note.number(b"protocol", PROTOCOL)
    note.word(b"build", app.build)
    note.word(b"board", app.board)
    note.word(b"micropython", identity.micropython().encode())
    note.number(b"mpy", identity.mpy())
    note.word(b"id", identity.board_id().encode())
    note.word(b"boot", app.boot)
    note.word(b"reset", app.cause)
    outbox.post(True)
    yield
    unheard = app.unheard
    outbox.start(b"state")
    note.word(b"counting", app.vane.kind)
    note.word(b"dp", found(app.dp))
    note.word(b"air", found(app.air))
    note.truth(b"field", settings.values["field"])
    note.number(b"mem_free", gc.mem_free())
    note.number(b"ring_lines", outbox.ring.n_lines)
    note.word(b"log", unheard.state())
    note.number(b"logs", unheard.log.n_to_fetch())
    note.number(b"free_kib", unheard.log.free_kib())
    note.number(b"late", app.n_late)
    note.number(b"stalls", unheard.n_stalls)
    note.number(b"stall_us", unheard.longest_stall_us)
    note.number(b"bad_dp", app.dp.n_bad)
    note.number(b"bad_commands", app.orders.commands.n_bad)
    note.number(b"bus_recoveries", app.bus.n_recoveries)
    note.truth(b"supply_low", app.supply.low)
    note.truth(b"crash", app.crashed)
    note.word(b"refused", crash.plain(" ".join(settings.refused))[:80].encode())
    outbox.post(True)


def found(sensor):
    """A sensor's state in a word."""
    return (b"found" if sensor.running else b"absent") if sensor.fitted else b"off"


def say_crash(app, to):
    """The note of the last crash."""
    app.outbox.reply(to, True)
    app.outbox.start(b"crash")
    app.outbox.note.word(b"text", crash.read().encode())
    app.outbox.post(True)
    yield


def forget_crash(app, to):
    """Remove that note."""
    crash.forget()
    app.crashed = False
    app.outbox.reply(to, True)
    yield


def say_settings(app, to):
    """All choices, with what they would be by default."""
    outbox = app.outbox
    note = outbox.note
    outbox.reply(to, True)
    names = sorted(settings.CHOICES)
    for name in names:
        yield
        outbox.start(b"setting")
        note.word(b"name", name.encode())
        for key, value in ((b"value", settings.chosen[name]), (b"default", settings.CHOICES[name][0])):
            if value is True or value is False:
                note.truth(key, value)
            elif isinstance(value, int):
                note.number(key, value)
            else:
                note.word(key, value.encode())
        note.word(b"rule", settings.rule_words(name).encode())
        outbox.post(True)
    yield
    outbox.start(b"settings")
    note.number(b"count", len(names))
    outbox.post(True)


def choose(app, to, name, text):
    """Take one choice in; it counts from the next boot."""
    why = settings.choose(name, text)
    app.outbox.reply(to, not why, why.encode())
    yield


def restart(app, to):
    """Begin again, with nothing of a log in memory alone."""
    app.outbox.reply(to, True)
    yield
    app.unheard.finish()
    app.stop = True


def maintain(app, to):
    """Begin again with the prompt."""
    open(settings.MAINTAIN_FILE, "w").close()
    app.outbox.reply(to, True)
    yield
    app.unheard.finish()
    app.stop = True


def say_logs(app, to):
    """What the log holds; what it still has in memory is put on flash first, and its file ended."""
    outbox, log = app.outbox, app.unheard.log
    outbox.reply(to, True)
    yield
    app.unheard.finish()
    log.close()  # what comes now goes into a file that this list does not have: the host will forget those that it has
    files = log.files()
    for each, n_blocks in files:
        yield
        outbox.start(b"log")
        outbox.note.number(b"number", each)
        outbox.note.word(b"of_boot", log.boot_of(each))
        outbox.note.number(b"blocks", n_blocks)
        outbox.post(True)
    yield
    outbox.start(b"logs")
    outbox.note.number(b"count", len(files))
    outbox.note.number(b"free_kib", log.free_kib())
    outbox.post(True)


def fetch(app, to, text, block_text):
    """The lines of one block of the log, as they were made."""
    outbox, log = app.outbox, app.unheard.log
    which, block = number(text), number(block_text)
    if outbox.listening:
        outbox.reply(to, False, b"streaming: ask again 3 s after the last keep")
        return
    n_lines = log.open_block(which, block) if which >= 0 and block >= 0 else -1
    if n_lines < 0:
        outbox.reply(to, False, b"no such block, or it is damaged")
        return
    outbox.reply(to, True)
    while not log.block_done:
        yield
        outbox.from_log(log)
    yield
    outbox.start(b"fetched")
    outbox.note.number(b"number", which)
    outbox.note.number(b"block", block)
    outbox.note.number(b"lines", n_lines)
    outbox.post(True)


def forget(app, to, text):
    """Remove a file of the log."""
    if app.unheard.log.forget(number(text)):
        app.outbox.reply(to, True)
    else:
        app.outbox.reply(to, False, b"no such log")
    yield


def write(app, to):
    """Put what waits for the log on flash."""
    done = app.unheard.finish()
    app.outbox.reply(to, done, None if done else b"the log is full, or flash refused")
    yield


# word: (job, number of arguments); `crash forget` is a word of its own
JOBS = {
    "identity": (say_identity, 0),
    "crash": (say_crash, 0),
    "crash forget": (forget_crash, 0),
    "settings": (say_settings, 0),
    "set": (choose, 2),
    "restart": (restart, 0),
    "maintain": (maintain, 0),
    "logs": (say_logs, 0),
    "fetch": (fetch, 2),
    "forget": (forget, 1),
    "write": (write, 0),
}
