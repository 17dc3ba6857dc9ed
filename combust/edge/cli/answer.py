"""How a command answers: it hands over what it found, and one frame says, writes and draws it in one order."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from combust import __version__
from combust.domain.result import Result, plain
from combust.domain.safety import Safety
from combust.edge.cli import output
from combust.edge.cli.options import Decorator, stops_of_refused

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FIGURE_ENDINGS = (".png", ".svg")


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
        Makes what ``--figure`` asks for.
    files : mapping
        Name -> text of the files to write.
    """

    facts: Result | Mapping[str, Any]
    text: str | None = None
    safety: Safety | None = None
    notes: Iterable[str] = ()
    in_full: bool = False
    strict: bool = False
    draw: Callable[[], Figure] | None = None
    files: Mapping[str, str] = field(default_factory=dict)

    def say(self, *, as_json: bool, strict: bool, out: str | None, figure: str | None) -> None:
        """Say the safety state before anything else, then the text or the JSON, notes and cautions; write and draw."""
        facts, safety = plain(self.facts), self.safety
        if safety is None and isinstance(self.facts, Result):
            safety = self.facts.safety
        if safety is not None:
            output.tell_safety(safety, as_json=as_json)
            facts["safety"] = safety.to_dict()
        for path, text in self.files.items():
            output.write_text(path, text)
        if as_json:
            output.say_json({**facts, "version": __version__})
        elif self.text is not None:
            click.echo(self.text)
        elif isinstance(self.facts, Result):
            click.echo(output.text_of_result(self.facts))
        for note in self.notes:
            click.echo(note, err=True)
        if safety is not None:
            output.tell_rest(safety, in_full=self.in_full)
        elif self.in_full:
            output.tell_cautions()
        if out:
            output.write_text(out, output.json_text({**facts, "version": __version__}) + "\n")
        if figure and self.draw:
            from combust.edge.figures.style import save

            save(self.draw(), figure)
            click.echo(f"Figure: {figure}", err=True)
        if strict and self.strict:
            raise click.exceptions.Exit(output.EXIT_STRICT)
        output.leave_strict(strict, safety.findings if safety else ())


def answers(
    *, figure: str = "", out: bool = False, strict: str = "there is a stop or a warning", json: str = ""
) -> Decorator:
    """Return a decorator for a command that returns an :class:`Answer`: it gets ``--json`` and what else is asked for.

    Names of files that cannot be written are refused before anything is computed; ``--fuels`` comes as ``catalogue``;
    a refusal tells the stop conditions that the acceptable quantities hold.

    Parameters
    ----------
    figure : str
        Help of ``--figure``; none of it when empty.
    out : bool
        Whether ``--out`` writes the JSON object to a file.
    strict : str
        When ``--strict`` ends with exit code 4; none of it when empty.
    json : str
        What the JSON object holds, in the help of ``--json``.
    """

    def decorate(function: Callable[..., Answer]) -> Callable[..., None]:
        @functools.wraps(function)
        def framed(
            as_json: bool, strict: bool = False, json_out: str | None = None, figure: str | None = None, **given: Any
        ) -> None:
            with stops_of_refused(given):
                for path, endings in ((json_out, ()), (figure, FIGURE_ENDINGS)):
                    if path is not None:
                        output.writable_name(path, endings)
                if "fuels_file" in given:
                    given["catalogue"] = _fuels(given.pop("fuels_file"))
                answer = function(**given)
            answer.say(as_json=as_json, strict=strict, out=json_out, figure=figure)

        options = [
            click.option("--figure", metavar="FILE", help=figure),
            click.option("--out", "json_out", metavar="FILE", help="Write the JSON object to a file as well."),
            click.option("--json", "as_json", is_flag=True, help=f"Print one JSON object{json}."),
            click.option("--strict", is_flag=True, help=f"End with exit code 4 when {strict}."),
        ]
        for option in (one for one, asked in zip(options[::-1], (strict, True, out, figure), strict=True) if asked):
            framed = option(framed)
        return framed

    return decorate


def _fuels(path: str | None) -> Any:
    from combust.domain.catalogue import load_fuels

    return load_fuels(path) if path else None
