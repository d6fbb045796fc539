"""What ended the firmware, in one line of text, kept on flash until somebody read it and says forget."""

import io
import os
import sys

FILE = "crash.txt"
LONGEST = 240


def note(error):
    """Write down what happened; the same thing again is not written again, for the flash's sake."""
    trace = io.StringIO()
    sys.print_exception(error, trace)
    text = plain(trace.getvalue())
    try:
        if text != read():
            with open(FILE, "w") as file:
                file.write(text)
    except (OSError, MemoryError):
        pass  # flash or memory is full or broken: starting again matters more


def read():
    """The note, empty where there is none."""
    try:
        with open(FILE) as file:
            return plain(file.read())
    except (OSError, ValueError):
        return ""


def forget():
    """Remove the note."""
    try:
        os.remove(FILE)
    except OSError:
        pass


def plain(text):
    """The end of a text as it may stand in a J line: printable ASCII without quotes, one line."""
    # Places in the middle of the trace say little; the last ones and the error itself are at its end.
    text = " ".join(text.replace('"', "'").replace("\\", "/").split())
    return "".join(c for c in text[-LONGEST:] if 32 <= ord(c) < 127)
