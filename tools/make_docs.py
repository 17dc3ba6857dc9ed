"""Write docs/*.md, docs/openapi.json and docs/pictures, from the commands, the vocabulary, the findings and the words.

python tools/make_docs.py           writes them
python tools/make_docs.py --check   fails when one is out of date
"""

from __future__ import annotations

import importlib
import json
import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from combust.application.fleet.tables import fleet_fields
from combust.application.words import allowed_range, check_lines, plain_text
from combust.data.fields import Field
from combust.data.tables import load_table
from combust.data.vocabulary import quantities
from combust.domain.limits import finding_kinds
from combust.edge.cli.main import COMMANDS, MAP
from combust.edge.web.openapi import description

ROOT = Path(__file__).parents[1]
MADE = "<!-- Made by tools/make_docs.py; change the source and run it again. -->"
FLEET_TABLES = {"vehicles": "Vehicles", "sites": "Sites", "routes": "Routes", "weather": "Hours of a site"}
BEYOND = "Numbers outside what can be"
SEVERITIES = {"stop": "Stops", "warn": "Warnings", "note": "Notes"}


def pages() -> dict[Path, str]:
    """Return every made file and its text."""
    return {
        ROOT / "docs" / "commands.md": command_page(),
        ROOT / "docs" / "glossary.md": glossary_page(),
        ROOT / "docs" / "errors.md": error_page(),
        ROOT / "docs" / "fleet_tables.md": fleet_page(),
        ROOT / "docs" / "openapi.json": json.dumps(description(), indent=1, ensure_ascii=False) + "\n",
    }


def commands() -> dict[str, click.Command]:
    """Return every command, imported, in the order of the map."""
    return {name: importlib.import_module(module).command for name, (module, _) in COMMANDS.items()}


def leaves() -> dict[str, click.Command]:
    """Return every command and sub-command by its path."""
    found: dict[str, click.Command] = {}
    for name, command in commands().items():
        found |= {name: command, **{f"{name} {sub}": each for sub, each in getattr(command, "commands", {}).items()}}
    return found


def command_page() -> str:
    """Return the page of all commands: the map, then the help of each."""
    lines = ["# Commands", "", MADE, "", "What `combust COMMAND --help` prints, in the order of the map.", ""]
    found = commands()
    for doing, names in MAP.items():
        lines += [f"* **{doing}**", *(f"  * [{name}](#combust-{name}): {COMMANDS[name][1]}" for name in names)]
    for doing, names in MAP.items():
        lines += ["", f"## {doing}"]
        for name in names:
            lines += list(_help(found[name], f"combust {name}", "###"))
    return "\n".join(lines) + "\n"


def _help(command: click.Command, path: str, mark: str) -> Iterator[str]:
    context = click.Context(command, info_name=path, terminal_width=110, help_option_names=["-h", "--help"])
    text = command.get_help(context)
    yield from ("", f"{mark} {path}", "", "```text", *(line.rstrip() for line in text.splitlines()), "```")
    if isinstance(command, click.Group):
        for name, each in command.commands.items():
            yield from _help(each, f"{path} {name}", "####")


def glossary_page() -> str:
    """Return the page of words: trade words, keys of the vocabulary, causes, checks, findings."""
    lines = [
        "# Glossary",
        "",
        MADE,
        "",
        "Offline on the command line: `combust word WORD`. " + _parts("Words", "Keys", "Causes", "Checks"),
        "",
    ]
    lines += ["## Words", ""]
    words = load_table("words")
    rows = []
    for word, row in words["word"].items():
        names = [word.replace("_", " "), *(each for each in row.get("also", ()) if "_" not in each)]
        spellings = ", ".join(dict.fromkeys(names))
        rows.append((spellings, row.get("symbol", ""), _code(row.get("key", "")), row["meaning"]))
    lines += _table(("word", "symbol", "key", "meaning"), rows)
    lines += ["", "## Keys", "", "The same word in tables, options (with dashes), Python and JSON.", ""]
    used = _used()
    rows = [
        (_code(key), words["symbols"].get(key, ""), one.unit, one.meaning, allowed_range(one), "; ".join(used[key]))
        for key, one in quantities().items()
    ]
    lines += _table(("key", "symbol", "unit", "meaning", "allowed", "goes in at; comes out of"), rows)
    lines += ["", "## Causes", ""]
    causes = load_table("causes")
    lines += _table(
        ("key", "cause", "what it means and what to do"),
        [(_code(key), row["label"], row["sentence"]) for key, row in causes["cause"].items()],
    )
    lines += ["", "## Checks", ""]
    checks = [(_code(key), *(text for _, text in check_lines(row))) for key, row in causes["check"].items()]
    lines += _table(("key", "what to do", "takes", "heater", "risk", "then enter"), checks)
    lines += ["", "## Findings", "", "Every sentence that a result can carry stands in [errors.md](errors.md)."]
    return "\n".join(lines) + "\n"


def _used() -> dict[str, list[str]]:
    """Return for every key the commands that take it and, for results, what gives it."""
    taken: dict[str, list[str]] = {key: [] for key in quantities()}
    for path, command in leaves().items():
        for param in command.params:
            if isinstance(param, click.Option) and not param.hidden and param.name in taken:
                taken[param.name].append(path)
    for key, record in quantities().items():
        taken[key] = [", ".join(taken[key])] if taken[key] else []
        if record.role == "result":
            taken[key].append("out")
        else:
            taken[key].append("column of a table")
    return taken


def error_page() -> str:
    """Return the page of everything that is refused or told."""
    lines = ["# What combust refuses, and what it tells", "", MADE, ""]
    lines += ["A refusal names what was entered, says what is wrong with it and what is allowed, and what to do next.",
              "Nothing is computed from it, and all faults of an input are told at once; each carries one of the codes.",
              "`…` stands for what is filled in. Look one word up with `combust word WORD`.", "",
              _parts(*SEVERITIES.values(), BEYOND, "Codes")]  # fmt: skip
    for severity, heading in SEVERITIES.items():
        told = [
            (_code(code), plain_text(kind.text)) for code, kind in finding_kinds().items() if kind.severity == severity
        ]
        lines += ["", f"## {heading}", "", *_table(("code", "text"), told)]
    lines += ["", f"## {BEYOND}", ""]
    rows = [
        (_code(key), allowed_range(one), one.hint)
        for key, one in quantities().items()
        if one.role != "result" and allowed_range(one)
    ]
    lines += _table(("key", "allowed", "what to do"), rows)
    lines += ["", "## Codes", "", "What every refusal carries.", ""]
    lines += _table(
        ("code", "meaning"), [(_code(code), row["meaning"]) for code, row in load_table("words")["code"].items()]
    )
    return "\n".join(lines) + "\n"


def fleet_page() -> str:
    """Return the page of the tables that a fleet is planned from: every column."""
    lines = ["# The tables of a fleet", "", MADE, ""]
    lines += ["`combust fleet` reads vehicles, sites and routes, and hourly series of a site. Headings are these words;",
              "another unit may stand in a heading (`altitude_ft`, `design_temp_f`) and is converted. `--map HEADING=column`",
              "names a heading of yours. A cell that is empty, `?` or `n/a` was not measured.",
              "`data/larkfell_fleet/` holds an invented fleet to copy.", "", _parts(*FLEET_TABLES.values()), ""]  # fmt: skip
    for name, heading in FLEET_TABLES.items():
        rows = [
            (_code(key), one.unit, one.band, _when_missing(one), one.meaning or one.hint)
            for key, one in fleet_fields(name).items()
        ]
        lines += [f"## {heading}", "", *_table(("column", "unit", "allowed", "where it is missing", "what"), rows), ""]
    return "\n".join(lines)


def _parts(*headings: str) -> str:
    """Return a line that leads to each part of a page."""
    return "On this page: " + ", ".join(f"[{one}](#{one.lower().replace(' ', '-')})" for one in headings) + "."


def _when_missing(field: Field) -> str:
    if field.required:
        return "the row is refused"
    if field.default is None:
        return field.origin or "not known"
    return f"{field.default} ({field.origin})" if field.origin else str(field.default)


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


def _table(headings: Sequence[str], rows: Any) -> list[str]:
    body = [
        "| " + " | ".join(re.sub(r"\s+", " ", str(cell)).replace("|", "\\|") for cell in row) + " |" for row in rows
    ]
    return ["| " + " | ".join(headings) + " |", "|" + "---|" * len(headings), *body]


def main() -> None:
    """Write every page, or with --check compare."""
    import make_pictures  # what draws is loaded only here

    check = "--check" in sys.argv[1:]
    stale = make_pictures.refresh(check)
    for path, text in pages().items():
        if check:
            if not path.is_file() or path.read_text(encoding="utf-8") != text:
                stale.append(str(path.relative_to(ROOT)))
        else:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
            print(path.relative_to(ROOT))
    if stale and check:
        sys.exit(f"Out of date: {', '.join(stale)}. Run: python tools/make_docs.py")


if __name__ == "__main__":
    main()
