"""Pairing and seats on a clock of the test: tries a minute, a thousand guesses, ten thousand sessions, forgery."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from combust.data.errors import CombustError
from combust.edge.cli.page import command, shared_address
from combust.edge.web.key import key_beside
from combust.edge.web.seats import MOST_SEATS, OF_ALL, ROLES, SEAT_DAYS, TOKEN_HOURS, Seats, TooManyTries
from combust.edge.web.settings import Settings
from tests.edge.web.phone import Phone, form_of

pytestmark = pytest.mark.regression
KEY = bytes(range(32))


class Clock:
    """Seconds that the test moves on."""

    def __init__(self) -> None:
        self.now = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def shared(settings: Settings, clock: Clock) -> Phone:
    return Phone(replace(settings, host="192.168.7.20", shared=True), Seats(settings.key, clock))


def pairing(phone: Phone, code: str) -> int:
    return phone.post("/pair", {"code": code}).status_code


def test_codes_differ_by_role_and_stay_over_a_restart() -> None:
    codes = {role: Seats(KEY).code_of(role) for role in ROLES}
    assert codes == {role: Seats(KEY).code_of(role) for role in ROLES}
    assert len(set(codes.values())) == len(ROLES)
    assert all(len(code) == 8 and code.isdecimal() for code in codes.values())
    assert Seats(b"x" * 32).code_of("engineer") != codes["engineer"]


def test_a_phone_of_the_network_pairs_before_it_sees_anything(settings: Settings, clock: Clock) -> None:
    phone = shared(settings, clock)
    for path in ("/", "/reading", "/word", "/share", "/token"):
        assert phone.get(path).headers.get("location") == "/pair"
    assert "Plain http: everyone on this network can read along" in phone.get("/pair").text
    assert pairing(phone, "00000000") == 403
    code = Seats(settings.key).code_of("learner")
    assert pairing(phone, f" {code[:4]} {code[4:]} ") == 303
    cookie = phone.client.cookies.jar
    assert phone.get("/").status_code == 200
    assert [one.has_nonstandard_attr("HttpOnly") for one in cookie] == [True]
    assert [one.get_nonstandard_attr("SameSite") for one in cookie] == ["strict"]


def test_a_learner_does_not_see_the_codes(settings: Settings, clock: Clock) -> None:
    for role, status in (("learner", 403), ("trainer", 403), ("engineer", 200)):
        phone = shared(settings, clock)
        assert pairing(phone, Seats(settings.key).code_of(role)) == 303
        answer = phone.get("/share")
        assert answer.status_code == status
        assert ("<svg" in answer.text) is (role == "engineer")
        assert "style=" not in answer.text


def test_a_thousand_guesses_open_nothing_and_five_a_minute_are_looked_at(clock: Clock) -> None:
    seats, looked = Seats(KEY, clock), 0
    right = seats.code_of("engineer")
    codes = {seats.code_of(role) for role in ROLES}
    for guess in range(1000):
        code = f"{guess:08d}"
        assert code not in codes
        try:
            assert seats.pair(code, "10.0.0.9") is None
            looked += 1
        except TooManyTries:
            with pytest.raises(TooManyTries):
                seats.pair(right, "10.0.0.9")
        clock.now += 1.0
    # by hand: 1000 s are 16.7 minutes; five in each of the 17 begun minutes
    assert looked == 5 * 17
    assert seats.pair(right, "10.0.0.8") is not None
    clock.now += 60.0
    assert seats.pair(right, "10.0.0.9") is not None


def test_many_addresses_share_one_number_of_tries(clock: Clock) -> None:
    seats, looked = Seats(KEY, clock), 0
    for guess in range(1000):
        try:
            seats.pair(f"{guess:08d}", f"10.0.{guess // 250}.{guess % 250}")
            looked += 1
        except TooManyTries:
            pass
    assert looked == OF_ALL


def test_ten_thousand_sessions_take_bounded_memory_and_the_idle_ones_leave(clock: Clock) -> None:
    seats = Seats(KEY, clock)
    first = seats.cookie_of(seats.new("learner"))
    assert seats.seat_of(first)
    cookies = [seats.cookie_of(seats.new("learner")) for _ in range(10_000)]
    for cookie in cookies[:MOST_SEATS]:
        assert seats.seat_of(cookie)
    tracemalloc.start()
    for cookie in cookies:
        clock.now += 1.0
        assert seats.seat_of(cookie)
        assert seats.here(1e9) <= MOST_SEATS
        assert seats.seat_of(cookies[-1])  # one that asks again and again stays
    grown, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert grown < 1_000_000, grown
    assert seats.here(1e9) == MOST_SEATS
    assert seats.here(5.0) <= 7
    assert seats.seat_of(first) is not None, "a phone that was idle is known by its cookie"


@pytest.mark.parametrize("change", ["role", "name", "time", "signature", "letter", "empty", "long"])
def test_a_forged_cookie_is_nobody(settings: Settings, clock: Clock, change: str) -> None:
    phone, seats = shared(settings, clock), Seats(settings.key, clock)
    name, _, given, signature = seats.cookie_of(seats.new("learner")).split(".")
    forged = {
        "role": f"{name}.engineer.{given}.{signature}",
        "name": f"0000000000000000.learner.{given}.{signature}",
        "time": f"{name}.learner.{float(given) + 9e9:.0f}.{signature}",
        "signature": f"{name}.learner.{given}.{'0' * 32}",
        "letter": f"{name}.learner.{given}.{signature}%C3%A9",
        "empty": "",
        "long": "a." * 1500,
    }[change]
    phone.client.cookies.set(f"combust_{settings.port}", forged)
    assert phone.get("/").headers.get("location") == "/pair"
    for path in ("/reading", "/units"):
        answer = phone.client.post(path, data={"token": "x"}, headers={"origin": phone.origin})
        assert answer.status_code == 401


def test_a_seat_and_a_token_grow_old(clock: Clock) -> None:
    seats = Seats(KEY, clock)
    seat = seats.new("engineer")
    cookie, token = seats.cookie_of(seat), seats.token_of(seat)
    clock.now += TOKEN_HOURS * 3600.0 - 1.0
    assert seats.token_fits(seat, token)
    clock.now += 2.0
    assert not seats.token_fits(seat, token)
    assert seats.seat_of(cookie) == seat
    clock.now += SEAT_DAYS * 86400.0
    assert seats.seat_of(cookie) is None


def test_a_stale_form_is_refused_in_words(settings: Settings, clock: Clock) -> None:
    phone = Phone(settings, Seats(settings.key, clock))
    held = form_of(phone.get("/reading").text)
    clock.now += 25 * 3600.0
    answer = phone.client.post("/reading", data=held, headers={"origin": phone.origin})
    assert answer.status_code == 403
    assert "too old" in answer.text


# ---- the key beside the logbook ----------------------------------------------------------------------------------
def test_the_key_is_made_once_and_only_its_owner_reads_it(tmp_path: Path) -> None:
    book = tmp_path / "winter.book"
    key = key_beside(book)
    assert key_beside(book) == key
    assert len(key) == 32
    assert (tmp_path / "winter.book.page-key").stat().st_mode & 0o777 == 0o600
    assert key_beside(None) != key_beside(None)


@pytest.mark.parametrize("content", [b"", b"short", b"\xff\xfe", b"zz" * 32, b"0" * 500])
def test_a_file_that_is_no_key_is_refused_and_left(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "winter.book.page-key"
    path.write_bytes(content)
    with pytest.raises(CombustError, match="is no key"):
        key_beside(tmp_path / "winter.book")
    assert path.read_bytes() == content


# ---- the address that is shared ----------------------------------------------------------------------------------
@pytest.mark.parametrize("address", ["0.0.0.0", "::", "8.8.8.8", "224.0.0.1", "workshop", "", "192.168.1.1/24"])
def test_an_address_that_is_no_workshop_is_refused(address: str) -> None:
    with pytest.raises(CombustError, match="address"):
        shared_address(address)


def test_an_address_of_another_machine_is_refused() -> None:
    done = CliRunner().invoke(command, ["--share", "--address", "192.168.254.253"])
    assert isinstance(done.exception, CombustError)
    assert "192.168.254.253" in str(done.exception)
