"""The command line: one place that turns the error tree into messages and exit codes."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable

import typer

import hoodtrace
from hoodtrace.cli.archive import archive
from hoodtrace.cli.backpressure import backpressure
from hoodtrace.cli.balance import balance
from hoodtrace.cli.board import board
from hoodtrace.cli.calibrate import calibrate
from hoodtrace.cli.checks import placement, zero
from hoodtrace.cli.compare import compare
from hoodtrace.cli.demo import demo
from hoodtrace.cli.enter import enter, event, fan
from hoodtrace.cli.export import export
from hoodtrace.cli.fetch import fetch
from hoodtrace.cli.forget import forget
from hoodtrace.cli.hood_describe import describe
from hoodtrace.cli.install import install
from hoodtrace.cli.ports import ports
from hoodtrace.cli.printable import printable
from hoodtrace.cli.rates import rates
from hoodtrace.cli.readings import readings
from hoodtrace.cli.record import record
from hoodtrace.cli.report import report
from hoodtrace.cli.review import review
from hoodtrace.cli.verify import verify
from hoodtrace.cli.virtual import virtual
from hoodtrace.cli.visit import visit
from hoodtrace.errors import HoodtraceError

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="From a capture hood's pulses to air flows that can be trusted.",
)
COMMANDS: tuple[tuple[str, Callable[..., None]], ...] = (
    ("demo", demo),
    ("visit", visit),
    ("rates", rates),
    ("enter", enter),
    ("event", event),
    ("fan", fan),
    ("ports", ports),
    ("install", install),
    ("board", board),
    ("record", record),
    ("fetch", fetch),
    ("readings", readings),
    ("balance", balance),
    ("review", review),
    ("report", report),
    ("export", export),
    ("compare", compare),
    ("verify", verify),
    ("forget", forget),
    ("hood", describe),
    ("calibrate", calibrate),
    ("zero", zero),
    ("placement", placement),
    ("backpressure", backpressure),
    ("virtual", virtual),
)
for name, command in COMMANDS:
    app.command(name)(command)
app.add_typer(archive, name="archive")


@app.callback(invoke_without_command=True)
def _version(
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    if version:
        typer.echo(f"hoodtrace {hoodtrace.__version__}")
        raise typer.Exit


def main() -> None:
    """Run a command; a known trouble is one message on standard error and its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        app()
    except HoodtraceError as error:
        sys.stderr.write(f"hoodtrace: {printable(error)}\n")
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:
        sys.stderr.write(f"hoodtrace: the output can't be written ({error.strerror}); what was decided before stands\n")
        sys.exit(4)
