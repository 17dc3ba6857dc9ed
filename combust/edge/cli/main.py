"""The ``combust`` command: a map of sub-commands that are loaded only when asked for."""

from __future__ import annotations

import importlib
import io
import sys
from typing import Any

import click

from combust import __version__
from combust.data.errors import CombustError
from combust.data.near import near_matches
from combust.edge.cli.output import EXIT_REJECTED, complain

# name -> (module, line of the map). Add a command here and in its own module as ``command``.
COMMANDS = {
    "reading": ("combust.edge.cli.reading", "Interpret one flue-gas reading."),
    "readings": ("combust.edge.cli.readings", "Interpret a table of readings, CSV or Parquet."),
    "cause": ("combust.edge.cli.cause", "Rank the causes of a visit, and say what to check next."),
    "profile": ("combust.edge.cli.profile", "Write a commented heater profile, or check one."),
    "duct": ("combust.edge.cli.duct", "Work out the loss of a duct, and what a change of it does."),
    "site": ("combust.edge.cli.site", "Tell what the air at a site does to a heater."),
    "fleet": ("combust.edge.cli.fleet", "Plan a fleet: heaters, sites and routes."),
    "fuel": ("combust.edge.cli.fuel", "List the fuels, or show one with its sources."),
    "start": ("combust.edge.cli.start", "Show a start with its times, fuel and the earliest restart."),
    "supply": ("combust.edge.cli.supply", "Tell the voltage at the heater and which cut-out acts first."),
    "log": ("combust.edge.cli.log", "Keep visits and readings in a logbook that cannot be rewritten."),
    "history": ("combust.edge.cli.history", "Follow heaters over the winters: drift, crossing date, next visit."),
    "report": ("combust.edge.cli.report", "Write the record of a visit as one printable page."),
    "mystery": ("combust.edge.cli.mystery", "Deal, play and score a teaching case: a heater with a hidden cause."),
    "exercises": ("combust.edge.cli.exercises", "Write an exercise sheet with random numbers, and its key."),
    "page": ("combust.edge.cli.page", "Serve a page for typing readings, without code, offline."),
    "demo": ("combust.edge.cli.demo", "Run the main job on the invented Larkfell data."),
}


class CommandMap(click.Group):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order a visit needs them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, imported now, or None."""
        if cmd_name not in COMMANDS:
            return None
        found: Any = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = found.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command asked for, or fail with near matches."""
        if args and args[0] not in COMMANDS:
            near = near_matches(args[0], COMMANDS, n=2, cutoff=0.5)
            hint = f" Did you mean: combust {' or '.join(near)}?" if near else " See: combust --help"
            ctx.fail(f"no command '{args[0][:40]}'.{hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the map without importing any command."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.command(cls=CommandMap, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="combust")
def cli() -> None:
    """Turn flue-gas readings of small vehicle air heaters into lambda and decisions.

    \b
    Start with:  combust reading --fuel diesel --o2-dry 8.2 --co-dry 150 --location outdoors
    A table:     combust readings IN.csv --out OUT.csv
    Try it:      combust demo

    Exit codes: 0 done, 2 usage, 3 input rejected, 4 findings under --strict.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; input that is refused ends in plain words and exit code 3, never in a traceback."""
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
