"""`hoodtrace ports`: the serial ports of this machine, and behind which of them a board answers.

Asks only USB ports for a `hello`; others are listed and left alone. Standard output, one row a port.
"""

from __future__ import annotations


def ports() -> None:
    """List the serial ports and say which one is a board."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from hoodtrace.board import link
    from hoodtrace.cli.printable import printable
    from hoodtrace.errors import LinkError

    found = link.ports()
    if not found:
        print("No serial port on this machine. Plug the board in with a cable that carries data, not only power.")
        return
    table = Table("port", "what it says it is", "board", box=None)
    for port in found:
        if not port.is_usb:
            answer = "not asked (no USB port); name it with --port to try it"
        else:
            try:
                board = link.open_board(port.device, wait_s=1.5)
            except LinkError as error:
                answer = f"{error.reason.value}: {str(error).removeprefix(port.device + ': ')}"
            else:
                board.link.close()
                answer = board_words(board.hello)
        table.add_row(port.device, Text(printable(port.description)), Text(printable(answer)))
    Console().print(table)


def board_words(hello: dict[str, object]) -> str:
    """Return what a hello says of its board, in words.

    Examples
    --------
    >>> board_words({"board": "pico", "firmware": "0.1.0", "boot": "0000a001", "rate_hz": 50})
    'yes: pico, firmware 0.1.0, boot 0000a001, 50 lines/s'
    """
    board, firmware, boot = (hello.get(key, "unknown") for key in ("board", "firmware", "boot"))
    return f"yes: {board}, firmware {firmware}, boot {boot}, {hello.get('rate_hz', '?')} lines/s"
