"""How a command answers: it hands over what it found, and one frame says, writes and draws it in one order."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from combust import __version__
from combust.application.safety import told_first
from combust.data.errors import CombustError, Fault
from combust.data.units import in_words
from combust.domain.catalogue import load_fuels
from combust.domain.result import Result, plain
from combust.domain.safety import Safety
from combust.edge.cli import output
from combust.edge.cli.files import FIGURE, Written, check_files
from combust.edge.cli.options import stops_entered
from combust.edge.figures.style import save
from combust.edge.tables.table_map import TableMap
from combust.edge.whole_file import kept, write_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FOR_A_PROJECTOR = "Draw figures for a projector: no type under 18 pt on a slide."


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command found.

    Attributes
    ----------
    facts : Result or mapping
        What the JSON object holds.
    text : str, optional
        What a person reads; the rows of the result when there is none.
    safety : Safety, optional
        The safety state; that of the result when there is none.
    notes : iterable of str
        Lines for stderr, behind the text.
    in_full : bool
        Tell the cautions in full, also where no safety state is.
    strict : bool
        With ``--strict`` this ends in exit code 4, whatever the findings are.
    draw : callable, optional
        Makes what ``--figure`` asks for; it takes ``presenter``.
    drawings : mapping
        Path -> what draws another figure there, likewise.
    files : mapping
        Path -> text of a file to write, or what writes it there, all before the text is said.
    """

    facts: Result | Mapping[str, Any]
    text: str | None = None
    safety: Safety | None = None
    notes: Iterable[str] = ()
    in_full: bool = False
    strict: bool = False
    draw: Callable[..., Figure] | None = None
    drawings: Mapping[str, Callable[..., Figure]] = field(default_factory=dict)
    files: Mapping[str, str | Callable[[str], object]] = field(default_factory=dict)

    @property
    def judged(self) -> Safety | None:
        """The safety state, that of the result where no other is given; None when nothing was judged."""
        return self.facts.safety if self.safety is None and isinstance(self.facts, Result) else self.safety

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object: the safety state first."""
        facts, safety = plain(self.facts), self.judged
        first = {"safety": safety.to_dict()} if safety is not None else {}
        return {**first, **facts, **first, "version": __version__}

    def say(
        self, *, as_json: bool, out: str | None, more: Mapping[str, Callable[[str], object]], units: str = "metric"
    ) -> None:
        """Say the safety state before anything else, then the text or the JSON, notes and cautions; write the files.

        People are told in their ``units``, with the metric number behind; what is for machines stays metric.
        """
        safety = self.judged.told_in(units) if self.judged else None
        facts = self.to_dict() if as_json or out else {}  # of a large fleet it is most of the work
        if safety is not None:
            output.tell_safety(safety, as_json=as_json)
        for path, content in self.files.items():
            if isinstance(content, str):
                write_text(path, content)
            else:
                content(path)
        if as_json:
            output.say_json(facts)
        elif self.text is not None:
            click.echo(in_words(self.text, units))
        elif isinstance(self.facts, Result):
            click.echo(in_words(output.text_of_result(self.facts), units))
        for note in self.notes:
            click.echo(note, err=True)
        if safety is not None:
            output.tell_rest(safety, in_full=self.in_full)
        elif self.in_full:
            output.tell_cautions()
        if out:
            write_text(out, output.json_text(facts) + "\n")
        for path, write in more.items():
            write(path)
            click.echo(f"Written: {path}", err=True)


def _read_named(given: dict[str, Any], save_map: str | None) -> None:
    """Put in the place of the names of fuels and maps what their files hold.

    Raises
    ------
    CombustError
        A file cannot be understood, or several maps are to be saved as one.
    """
    if "fuels_file" in given:
        path = given.pop("fuels_file")
        given["catalogue"] = load_fuels(path) if path else None
    if "map_pairs" in given:
        given["mapping"] = TableMap.from_options(given.pop("map_pairs"), given.pop("fixed"))
        if save_map and given["mapping"].either:
            hint = "Name one map, or leave --save-map out."
            raise CombustError(Fault("--save-map", save_map, "conflict", why="keeps one map", hint=hint))


def _drawn(draw: Callable[..., Figure], presenter: bool) -> Callable[[str], None]:
    """Return what draws a figure into a file, when it is asked to."""
    return lambda path: save(draw(presenter=presenter), path)


def answers(
    name: str,
    group: click.Group | None = None,
    *,
    figure: str = "",
    out: bool = False,
    strict: str = "there is a stop or a warning",
    json: str = "",
) -> Callable[[Callable[..., Answer]], click.Command]:
    """Return a decorator that makes a command of what returns an :class:`Answer`: ``--json``, and what is asked for.

    Names of files that cannot be written are refused before anything is computed; ``--fuels`` comes as ``catalogue``,
    what is said of a table as ``mapping``; a refusal tells the stop conditions that the acceptable quantities hold.

    Parameters
    ----------
    name : str
    group : click.Group, optional
        What it is a part of.
    figure : str
        Help of ``--figure``; none of it when empty.
    out : bool
        Whether ``--out`` writes the JSON object to a file.
    strict : str
        When ``--strict`` ends with exit code 4; none of it when empty.
    json : str
        What the JSON object holds, in the help of ``--json``.
    """

    def decorate(function: Callable[..., Answer]) -> click.Command:
        @functools.wraps(function)
        def framed(as_json: bool, strict: bool = False, **given: Any) -> None:
            with kept(check_files(command.params, given)):
                _run(as_json=as_json, strict=strict, **given)

        def _run(*, as_json: bool, strict: bool, **given: Any) -> None:
            out, figure, save_map = (given.pop(name, None) for name in ("json_out", "figure", "save_map"))
            units, presenter = given.pop("units_of_person", "metric"), given.pop("presenter", False)
            with told_first(lambda: stops_entered(given)):
                _read_named(given, save_map)
                answer = function(**given)
            more: dict[str, Callable[[str], object]] = {save_map: given["mapping"].save} if save_map else {}
            drawings = {**answer.drawings} | ({figure: answer.draw} if figure and answer.draw else {})
            more |= {path: _drawn(draw, presenter) for path, draw in drawings.items()}
            answer.say(as_json=as_json, out=out, more=more, units=units)
            findings = answer.judged.findings if answer.judged else ()
            if strict and (answer.strict or any(one.severity in ("stop", "warn") for one in findings)):
                raise click.exceptions.Exit(output.EXIT_STRICT)

        command = (group.command if group else click.command)(name)(framed)
        options = [
            (figure, click.Option(["--figure"], type=FIGURE, metavar="FILE", help=figure)),
            (figure, click.Option(["--presenter"], is_flag=True, help=FOR_A_PROJECTOR)),
            (
                out,
                click.Option(
                    ["--out", "json_out"],
                    type=Written(".json", own=('"safety": {',)),
                    metavar="FILE",
                    help="Write the JSON object to a file as well.",
                ),
            ),
            (True, click.Option(["--json", "as_json"], is_flag=True, help=f"Print one JSON object{json}.")),
            (strict, click.Option(["--strict"], is_flag=True, help=f"End with exit code 4 when {strict}.")),
        ]
        command.params += [option for asked, option in options if asked]
        return command

    return decorate
