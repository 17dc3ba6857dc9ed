"""``combust page``: what it says before it serves, what it refuses, and what the server never loads."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from combust.data.errors import CombustError
from combust.edge.cli.page import command
from combust.edge.web.key import key_beside
from combust.edge.web.seats import ROLES, Seats
from combust.edge.web.settings import Settings
from tests.edge.runs import ROOT
from tests.edge.web.served import free_port

pytestmark = pytest.mark.regression


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[Settings]:
    """What a server would have been started with."""
    started: list[Settings] = []
    monkeypatch.setattr("combust.edge.web.serve.run", started.append)
    return started


def call(*arguments: str, typed: str | None = None) -> Result:
    return CliRunner().invoke(command, [*arguments, "--port", str(free_port())], input=typed)


def test_alone_it_answers_this_machine_and_says_so(begun: list[Settings], tmp_path: Path) -> None:
    done = call("--book", str(tmp_path / "w.book"), "--heaters", str(ROOT / "data" / "heaters"))
    assert done.exit_code == 0
    assert "this machine only" in done.stderr
    assert "Code for" not in done.stderr
    (one,) = begun
    assert (one.host, one.shared, one.book) == ("127.0.0.1", False, tmp_path / "w.book")
    assert all("127.0.0.1" in name or "localhost" in name or "[::1]" in name for name in one.hosts)


def test_shared_it_tells_link_codes_and_who_reads_along(begun: list[Settings], tmp_path: Path) -> None:
    book = tmp_path / "w.book"
    done = call("--book", str(book), "--share", typed="127.0.0.1\n")  # the address is asked for
    assert done.exit_code == 0
    assert "Network address of this machine" in done.stderr
    assert "Plain http: everyone on this network can read along and could take your place" in done.stderr
    assert "\u2584" in done.stderr, "the QR code"
    for role in ROLES[1:]:
        code = Seats(key_beside(book)).code_of(role)
        assert f"{code[:4]} {code[4:]}" in done.stderr
    assert Seats(key_beside(book)).code_of("nobody")[:4] not in done.stderr
    (one,) = begun
    assert one.shared
    assert one.hosts == {f"127.0.0.1:{one.port}"}


def test_a_taken_port_is_told(begun: list[Settings]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = CliRunner().invoke(command, ["--port", str(taken.getsockname()[1])])
    assert isinstance(done.exception, CombustError)
    assert "Give another port" in str(done.exception)
    assert begun == []


def test_the_server_never_loads_matplotlib(tmp_path: Path) -> None:
    """Its figures are small templates: a drawing library would cost a second at the first figure, and 45 kB a page."""
    text = """
import sys
from pathlib import Path
from combust.edge.web.pool import Pool
from combust.edge.web.settings import Settings
from combust.edge.web.ways import WAYS
from tests.edge.web.phone import Phone
pool = Pool(1)
phone = Phone(Settings(bytes(32), Path(sys.argv[1]), Path("data/heaters")), pool=pool)
opened = phone.post("/visit", {"heater": "heater-0312", "location": "outdoors"}, page="/visit")
here = opened.headers["location"]
read = {"stage": "high", "o2_dry_pct": "8.2", "co_dry_ppm": "50", "flue_temp_c": "300"}
assert phone.post(here + "/reading", read, page=here + "/reading").status_code == 303
assert phone.post("/reading", {**read, "location": "outdoors"}).status_code == 200
name = here.rpartition("/")[2]
for way in WAYS:
    if way.method == "GET" and "{entry}" not in way.path and "{name}" not in way.path:
        answer = phone.get(way.path.replace("{visit_id}", name))
        assert answer.status_code in (200, 303, 422), (way.path, answer.status_code)
pool.close()
print([name for name in ("matplotlib", "cantera", "IPython") if name in sys.modules])
"""
    command = [sys.executable, "-c", text, str(tmp_path / "w.book")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
