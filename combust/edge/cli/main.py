"""The ``combust`` command: a map of sub-commands that are loaded only when asked for."""

from __future__ import annotations

import importlib
import io
import os
import sys
from contextlib import suppress
from typing import Any, TextIO

import click
from click.shell_completion import CompletionItem

from combust import __version__
from combust.data.errors import CombustError
from combust.edge.cli.group import NearGroup
from combust.edge.cli.output import EXIT_REJECTED, complain

# The map: what a person is doing -> command -> (module, its line). A command is added here and in its own module as
# ``command``; its help ends with an example and with the command that comes next.
MAP = {
    "First look": {
        "demo": ("combust.edge.cli.demo", "Run the main job on invented data: tables and figures to look at."),
        "page": ("combust.edge.cli.page", "Open a page to type readings, on this machine only, no code."),
    },
    "At the heater": {
        "reading": ("combust.edge.cli.reading", "What the analyser shows -> lambda, CO, loss, warnings."),
        "visit": ("combust.edge.cli.visit", "A visit from first look to the sheet: type, see the next check, print."),
        "cause": ("combust.edge.cli.cause", "Which fault it may be, and what to check next."),
        "start": ("combust.edge.cli.start", "It does not start: phases, fuel in the burner, earliest restart."),
        "supply": ("combust.edge.cli.supply", "Voltage at the heater, and which cut-out acts first."),
        "duct": ("combust.edge.cli.duct", "Pressure loss of a duct, and what a longer or crushed one does."),
    },
    "Over the winters": {
        "profile": ("combust.edge.cli.profile", "Write down a heater once: stages, limits, healthy reading."),
        "log": ("combust.edge.cli.log", "The book of visits: list, show, verify, export, take in."),
        "readings": ("combust.edge.cli.readings", "Interpret a whole table of readings, CSV or Parquet."),
        "history": ("combust.edge.cli.history", "Does a heater drift, and when is it due?"),
        "right": ("combust.edge.cli.right", "How often was the ranking right, by what was mended?"),
        "learn": ("combust.edge.cli.learn", "What closed visits teach, proved before it is used."),
        "share": ("combust.edge.cli.share", "An anonymous table of what visits taught, for others."),
    },
    "Planning where heaters go": {
        "site": ("combust.edge.cli.site", "What height and cold at one site do to a heater."),
        "fleet": ("combust.edge.cli.fleet", "The same for all vehicles, sites and routes: who needs what."),
    },
    "Teaching": {
        "exercises": ("combust.edge.cli.exercises", "An exercise sheet with its key, and misconception cards."),
        "mystery": ("combust.edge.cli.mystery", "A heater with a hidden cause: deal, play and score it."),
    },
    "Looking up": {
        "word": ("combust.edge.cli.word", "Explain a word, a key, a finding or a check."),
        "fuel": ("combust.edge.cli.fuel", "The fuels and where their numbers come from."),
        "completion": ("combust.edge.cli.completion", "Let the TAB key finish commands, options and names."),
    },
}
COMMANDS = {name: place for group in MAP.values() for name, place in group.items()}


class CommandMap(NearGroup):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the map."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, imported now, or None."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name][0]).command
        if ctx.resilient_parsing:  # TAB was pressed
            from combust.edge.cli.complete import offer_words

            return offer_words(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Return the commands that begin so, without importing one, or the options of ``combust`` itself."""
        if incomplete.startswith("-"):
            return super().shell_complete(ctx, incomplete)
        return [CompletionItem(name, help=line) for name, (_, line) in COMMANDS.items() if name.startswith(incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the map without importing any command."""
        width = max(map(len, COMMANDS)) + 2
        for doing, commands in MAP.items():
            with formatter.section(doing):
                for name, (_, line) in commands.items():
                    formatter.write(f"{'':>{formatter.current_indent}}{name:<{width}}{line}\n")


@click.command(cls=CommandMap, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="combust")
def cli() -> None:
    """Turn flue-gas readings of small vehicle air heaters into lambda (air ratio) and decisions.

    \b
    Try this first, with what your analyser shows:
      combust reading --fuel diesel --o2-dry 8.2 --co-dry 150 --location outdoors

    \b
    Every command tells its units and an example:  combust COMMAND --help
    A word you do not know:                        combust word lambda

    \b
    Exit codes: 0 done, 2 the command line is not understood, 3 input not accepted,
    4 stop or warning found while --strict was given.
    """


# The matrices of a visit are small: two threads of the linear algebra rank visits 1.2 times slower than one. Set before
# numpy is loaded; what the user has set stays.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class _UntilTheReaderLeaves(io.FileIO):
    """A pipe whose reader may leave (``| head``): the rest is told to nobody, the work is done to its end."""

    borne: type[OSError] = BrokenPipeError
    beneath: TextIO | None = None

    def write(self, told: Any, /) -> int:
        """Return how much was taken."""
        try:
            return super().write(told)
        except OSError as error:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())  # what is left of it is not tried again when the interpreter ends
            os.close(nowhere)
            if not isinstance(error, self.borne):
                raise
            return len(told)


class _WhateverComes(_UntilTheReaderLeaves):
    """Stderr: it may take nothing at all (a disk that is full), the exit code is that of the result."""

    borne = OSError


def _bearing(stream: TextIO, kind: type[_UntilTheReaderLeaves], *, by_line: bool) -> TextIO:
    """Return a stream that bears what ``kind`` bears; one that is no file of the system stays as it is."""
    binary = getattr(stream, "buffer", None)
    if type(getattr(binary, "raw", binary)) is not io.FileIO:
        return stream
    with suppress(kind.borne):
        stream.flush()
    raw = kind(stream.fileno(), "w", closefd=False)
    raw.beneath = stream  # it would close the file when nobody holds it any more
    return io.TextIOWrapper(io.BufferedWriter(raw), stream.encoding, line_buffering=by_line)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; input that is refused ends in plain words and exit code 3, never in a traceback."""
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    if sys.stdout is None:
        click.echo("Error: stdout is closed, nothing can be told: nothing was done.", err=True)
        sys.exit(EXIT_REJECTED)
    if sys.stderr is None:  # else the next file that is opened would be what others know as stderr
        nowhere = os.open(os.devnull, os.O_WRONLY)
        sys.stderr = open(nowhere, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stdout = _bearing(sys.stdout, _UntilTheReaderLeaves, by_line=sys.stdout.isatty())
    sys.stderr = _bearing(sys.stderr, _WhateverComes, by_line=True)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal that lacks a character shows another one instead
            stream.reconfigure(errors="backslashreplace")
    try:
        # Outside standalone mode click hands the code of an early exit (--strict, --help) back instead of raising it.
        code = cli.main(args=arguments, prog_name="combust", standalone_mode=False)
        if isinstance(code, int) and code:
            sys.exit(code)
    except click.Abort:
        click.echo("Stopped by the user.", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except CombustError as error:
        complain(error, as_json="--json" in (sys.argv[1:] if arguments is None else arguments))
        sys.exit(EXIT_REJECTED)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        click.echo(f"Error: {name}{error.strerror or error}. Nothing was left half written.", err=True)
        sys.exit(EXIT_REJECTED)


if __name__ == "__main__":
    main()
