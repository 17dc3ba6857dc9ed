"""No command writes over what it reads, nor two things to one place: every pair of its options, under every spelling.

The pairs come from click's own parameters: a command, or an option, that is added is tried without a line here.
"""

from __future__ import annotations

import itertools
import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import click
import pytest

from combust.data.errors import CombustError
from combust.edge.cli.complete import FILES
from combust.edge.cli.files import Updated, Written, WrittenFolder, check_files
from combust.edge.cli.main import COMMANDS, cli
from combust.edge.whole_file import kept, whole_file
from tests.edge.runs import DATA, call, is_plain_refusal
from tests.edge.test_logbook_hard import in_child

# What a text on the command line can be. A metavar that is in neither is a question to whoever adds it.
PLACES = {*FILES, "DIR", "PATH", "FILE ...", "BOOK|TABLE ...", "[diff PLAN_A PLAN_B]"}
NO_PLACES = {
    "TEXT", "NAME", "WORD", "NAME=VALUE", "KEY=VALUE", "HEADING=KEY", "[NAME=VALUE]...", "DATE", "DAY", "MM-DD:MM-DD",
    "ADDRESS", "CHECKSUM", "FUEL", "KIND", "STEP", "CAUSE", "CAUSE=P", "FIELD=TEXT", "WORD=N", "N", "NUMBER", "PCT",
    "LOW HIGH", "WORD VALUE ...", "[WORD VALUE ...]", "[WORD VALUE ...] [because ...]", "HEATER",
}  # fmt: skip
PRECIOUS = b"what nobody has a second time\n"


def leaves() -> dict[tuple[str, ...], click.Command]:
    """Return the words of every command that does something -> the command."""
    found = {}
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        below = command.commands if isinstance(command, click.Group) else {}
        found |= {(name, sub): one for sub, one in below.items()} or {(name,): command}
    return found


def texts(command: click.Command) -> list[click.Parameter]:
    """Return the parameters that take any text: no number, no choice, no flag, no quantity."""
    kinds = (click.types.StringParamType, click.Path)
    taken = [one for one in command.params if isinstance(one.type, kinds) and type(one.type).__name__ != "Typed"]
    return [one for one in taken if not getattr(one, "is_flag", False)]


def places(command: click.Command) -> list[click.Parameter]:
    """Return the parameters that name a file or a folder."""
    return [one for one in texts(command) if isinstance(one.type, Written | click.Path) or one.metavar in PLACES]


def pairs() -> Iterator[tuple[tuple[str, ...], click.Parameter, click.Parameter]]:
    """Yield each command with each of its outputs beside each other place."""
    for words, command in leaves().items():
        for out, other in itertools.permutations(places(command), 2):
            if (isinstance(out.type, Written) and not isinstance(other.type, Written)) or (
                isinstance(out.type, Written) and isinstance(other.type, Updated) and not isinstance(out.type, Updated)
            ):
                yield words, out, other
    for words, command in leaves().items():
        for out, other in itertools.combinations(places(command), 2):
            if isinstance(out.type, Written) and isinstance(other.type, Written):
                yield words, out, other


def typed(words: tuple[str, ...], given: dict[str, str]) -> list[str]:
    """Return a command line with these places; what else is required has some value, nothing comes to be computed."""
    line, arguments = [*words], []
    for one in leaves()[words].params:
        some = {click.types.IntParamType: "1", click.types.IntRange: "1"}.get(type(one.type), "x")
        value = given.get(str(one.name), some if one.required else None)
        if isinstance(one, click.Argument):
            arguments += [] if value is None else (["diff", value, "x"] if "diff" in (one.metavar or "") else [value])
        elif value is not None:
            line += [next(name for name in one.opts if name.startswith("--")), value]
    return [*line, *arguments]


def spellings(folder: Path, name: str) -> dict[str, str]:
    """Return names of one file: as it is, with a point, whole, by a symbolic and by a hard link, by a detour."""
    (folder / "soft").symlink_to(name)
    (folder / "linked").symlink_to(folder, target_is_directory=True)
    names = {
        "same": name,
        "point": f"./{name}",
        "whole": str(folder / name),
        "soft": "soft",
        "detour": f"linked/{name}",
    }
    if (folder / name).is_file():
        os.link(folder / name, folder / "hard")
        names["hard"] = "hard"
    return names


def test_every_text_on_the_command_line_is_known_to_be_a_place_or_none():
    for words, command in leaves().items():
        for one in texts(command):
            known = isinstance(one.type, Written) or one.metavar in PLACES | NO_PLACES or one.metavar is None
            assert known, f"{words} {one.name}: is {one.metavar} the name of a file? Add it to one of the sets above."
            if not isinstance(one.type, Written) and one.metavar in PLACES and isinstance(one, click.Option):
                writes = re.search(r"\b(Write|Where|goes|Folder for)\b", one.help or "") or re.search(
                    "^out|out$", str(one.name)
                )
                assert not writes, f"{words} {one.name}: what is written has the type Written"


@pytest.mark.parametrize("words", [*leaves()], ids=" ".join)
def test_no_output_is_an_input_or_another_output(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "precious.csv").write_bytes(PRECIOUS)
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "vehicles.csv").write_bytes(PRECIOUS)
    for name in ("soft", "linked", "hard"):
        (tmp_path / name).unlink(missing_ok=True)
    files = spellings(tmp_path, "precious.csv")
    for _, out, other in (one for one in pairs() if one[0] == words):
        for spelled in files.values():
            if isinstance(out.type, WrittenFolder) or isinstance(other.type, WrittenFolder):
                continue
            is_refused(words, {str(out.name): spelled, str(other.name): "precious.csv"}, tmp_path)
        if isinstance(out.type, WrittenFolder) and not isinstance(other.type, click.Path):
            for spelled in ("folder", "./folder", str(tmp_path / "folder"), "linked/folder"):
                is_refused(words, {str(out.name): spelled, str(other.name): "folder"}, tmp_path)
                if not out.type.below and not isinstance(other.type, Written):
                    is_refused(words, {str(out.name): spelled, str(other.name): "folder/vehicles.csv"}, tmp_path)


def is_refused(words: tuple[str, ...], given: dict[str, str], folder: Path) -> None:
    """Fail unless a command refuses these places, by that reason, and touches nothing."""
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with mock.patch("combust.edge.web.serve.run"):
        done = call(*typed(words, given))
    is_plain_refusal(done)
    assert re.search(
        "is the input|is the folder of the input|is to be written twice|stands among what is only read too", done.err
    ), (given, done.err)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before, (words, given)


def test_there_are_pairs_and_every_command_that_writes_has_some():
    """A number that falls tells that parameters are no longer found: it stood at more than a hundred."""
    found = [*pairs()]
    assert len(found) > 100
    writing = {
        words for words, command in leaves().items() if any(isinstance(one.type, Written) for one in places(command))
    }
    alone = {words for words in writing if len(places(leaves()[words])) == 1}
    assert {words for words, *_ in found} == writing - alone


def test_two_names_that_differ_in_capitals_or_form_are_one_on_some_systems():
    """Nothing of them is there yet, so no system can be asked; what is there, samefile asks it about."""
    params = [click.Option(["--a"], type=Written()), click.Option(["--b"], type=Written())]
    for first, second in (("x.csv", "X.csv"), ("h\u00fctte.csv", "hu\u0308tte.csv"), ("x.csv", "./y/../x.csv")):
        with pytest.raises(CombustError, match="written twice"):
            check_files(params, {"a": first, "b": second})
    assert check_files(params, {"a": "x.csv", "b": "y.csv"}) == []


def test_what_lies_in_a_folder_that_is_read_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "kits.csv").write_bytes(PRECIOUS)
    with kept([str(tmp_path)]):
        with pytest.raises(CombustError, match="is the input"), whole_file(tmp_path / "kits.csv"):
            pass
        with whole_file(tmp_path / "new.csv") as partial:
            partial.write_bytes(b"x")
    assert (tmp_path / "kits.csv").read_bytes() == PRECIOUS


@pytest.mark.skipif(os.name != "posix", reason="elsewhere nobody asks whether a process is there")
def test_what_a_killed_command_left_is_taken_away_by_the_next_that_writes_there(tmp_path: Path) -> None:
    """Only of the same output, and of a process of here that is dead: what somebody is writing stays."""

    def killed() -> None:
        with whole_file(tmp_path / "a.csv") as partial:
            partial.write_bytes(b"half")
            os.kill(os.getpid(), signal.SIGKILL)

    os.waitpid(in_child(killed), 0)
    (left,) = tmp_path.glob(".*.partial")
    dead = left.name.split("-")[2]
    (tmp_path / f"{left.name}-journal").write_bytes(b"of SQLite")
    others = {
        left.name.replace(f"-{dead}-", f"-{os.getppid()}-"),  # somebody is at it
        left.name.replace(left.name.split("-")[1], "00000000"),  # a number of another machine
        left.name.replace(f"-{dead}-", "-x-"),
    }
    for one in others:
        (tmp_path / one).write_bytes(b"of another")
    with whole_file(tmp_path / "b.csv") as partial:
        partial.write_bytes(b"whole")
    assert left.exists()
    with whole_file(tmp_path / "a.csv") as partial, whole_file(tmp_path / "a.csv") as second:
        partial.write_bytes(b"whole")
        second.write_bytes(b"whole too")
    assert {path.name for path in tmp_path.iterdir()} == {"a.csv", "b.csv", *others}


def test_a_plan_into_the_folder_of_its_tables_leaves_them(tmp_path: Path) -> None:
    """A plan's own tables are called vehicles.csv and sites.csv too."""
    for name in ("vehicles.csv", "sites.csv"):
        (tmp_path / name).write_bytes((DATA / "larkfell_fleet" / name).read_bytes())
    tables = [f"--{name}={tmp_path / name}.csv" for name in ("vehicles", "sites")]
    is_refused(("fleet",), {"vehicles": str(tmp_path / "vehicles.csv"), "out": str(tmp_path)}, tmp_path)
    is_plain_refusal(
        call("fleet", *tables, "--profiles", str(DATA / "larkfell_fleet" / "profiles"), "--out", str(tmp_path))
    )


@pytest.mark.parametrize("kind", ["device", "full", "pipe", "link to a device"])
def test_no_output_replaces_a_device_or_a_pipe(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of every command that writes a file: what has a file's name and is none is refused, nobody waits for a reader."""
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe")
    Path("link").symlink_to("/dev/null")
    place = {"device": "/dev/null", "full": "/dev/full", "pipe": "pipe", "link to a device": "link"}[kind]
    before = os.lstat(place).st_mode
    for words, command in leaves().items():
        for out in places(command):
            if isinstance(out.type, Written):
                with mock.patch("combust.edge.web.serve.run"):
                    done = call(*typed(words, {str(out.name): place}))
                assert done.code == 3, (words, out.name, done.err)
                assert os.lstat(place).st_mode == before, (words, out.name)


def test_no_output_replaces_what_its_command_did_not_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of every command that writes a file, whatever its ending; what it wrote itself it writes again."""
    monkeypatch.chdir(tmp_path)
    for words, command in leaves().items():
        written = [one for one in places(command) if isinstance(one.type, Written) and one.type.endings]
        for out in places(command):
            if type(out.type) is Written:
                others = {str(one.name): f"new{one.type.endings[0]}" for one in written if one.required}
                for ending in out.type.endings or ("", ".csv", ".parquet"):
                    Path(f"held{ending}").write_bytes(PRECIOUS)
                    done = call(*typed(words, others | {str(out.name): f"held{ending}"}))
                    assert done.code == 3, (words, out.name, ending, done.err)
                    assert re.search("nothing that this command wrote|exists already|is there", done.err), done.err
                    assert Path(f"held{ending}").read_bytes() == PRECIOUS, (words, out.name, ending)
    profile = f"--heater={DATA / 'heaters' / 'heater-0312.toml'}"
    Path("p.csv").write_text("altitude_m,temp_c\n200,10\n")
    found = (DATA / "larkfell_logbook" / "visits.csv").read_text("utf-8").splitlines(keepends=True)
    Path("found.csv").write_text("".join(found[:3]), "utf-8")
    for line in (
        ("start", profile, "--figure=x.svg"),
        ("start", profile, "--figure=x.png"),
        ("site", profile, "--points=p.csv", "--points-out=x.parquet"),
        ("right", "found.csv", "--heaters", f"{DATA / 'heaters'}", "--out=x.html"),
    ):
        for _ in range(2):
            done = call(*line)
            assert done.code == 0, (line, done.err)


def test_a_link_that_names_stdout_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where stdout goes to a file, /dev/stdout is a link to a file: to move something there would take it away."""
    with (tmp_path / "told").open("w") as file:
        for name in (f"/proc/self/fd/{file.fileno()}", "/dev/stdout"):
            with pytest.raises(CombustError, match="is no file"), whole_file(name):
                pass
    assert Path("/dev/stdout").is_symlink()
