"""The people of a class: who joined, what they voted before it happened, which checks they ask for, what they state."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from combust.application.trainer.class_heater import class_causes, class_table
from combust.data.errors import CombustError, Fault
from combust.data.fields import Field

FULL = 100.0  # per cent


@dataclass(slots=True)
class Learner:
    """One phone: its number in the class and that of its place, a name or none, its statement, what it was told."""

    number: int
    place: int
    name: str = ""
    deeds: int = 0
    stated: dict[str, float] = field(default_factory=dict)
    counted: dict[str, float] = field(default_factory=dict)
    told: tuple[str, ...] = ()


@dataclass(slots=True)
class Question:
    """What happens next, asked before it happens: answers, one vote a phone, and which came true."""

    number: int
    text: str
    answers: tuple[str, ...]
    votes: dict[str, int] = field(default_factory=dict)
    open: bool = True
    happened: int | None = None
    lesson: str = ""  # of which it is a prediction, and which one
    guess: str = ""

    @property
    def shares(self) -> tuple[float, ...]:
        """The share of each answer among those who voted."""
        count = Counter(self.votes.values())
        return tuple(count[index] / max(1, len(self.votes)) for index in range(len(self.answers)))


def _limits() -> Mapping[str, float]:
    limits: Mapping[str, float] = class_table()["limits"]
    return limits


def line_of(key: str, text: object, *, longest: int) -> str:
    """Return one line of plain text.

    Raises
    ------
    CombustError
        No text, more than a line, too long.
    """
    hint = f"Write one line of at most {longest} characters."
    return str(Field(key, "text", longest=longest, one_line=True, hint=hint).checked(text))


def refuse(what: str, value: object, why: str, hint: str) -> CombustError:
    """Return the refusal of something that cannot be done in a class now."""
    return CombustError(Fault(what, value, "conflict", why=why, hint=hint))


def spread(stated: Mapping[str, float]) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return the probability of every cause from per cents that were said of some, and what was done to them in words.

    More than 100 % is scaled down; what is left over is spread over the causes of which nothing was said; every cause
    keeps at least one per cent.

    Parameters
    ----------
    stated : mapping
        Cause -> per cent.

    Examples
    --------
    >>> counted, told = spread({"fuel_over": 100.0, "fuel_under": 25.0})
    >>> round(sum(counted.values()), 9), min(counted.values()), len(told)
    (1.0, 0.01, 2)
    """
    say, causes = class_table()["say"], class_causes()
    total, told = sum(stated.values()), []
    scale = FULL / total if total > FULL else 1.0
    shares = {name: stated.get(name, 0.0) * scale / FULL for name in causes}
    rest = 1.0 - sum(shares.values())
    others = [name for name in causes if not stated.get(name)]
    if total > FULL + 1e-9:
        told.append(say["over"].format(total=f"{total:.3g}"))
    elif rest > 1e-9:
        told.append(say["under"].format(rest=f"{FULL * rest:.3g}"))
        shares |= {name: shares[name] + rest / len(others or causes) for name in others or causes}
    lifted = _lifted(shares, _limits()["floor"])
    told += [say["floor"]] if lifted != shares else []
    return lifted, tuple(told)


def _lifted(shares: dict[str, float], floor: float) -> dict[str, float]:
    """Return shares of which none is below the floor; those above it give what that takes, each in proportion."""
    low: set[str] = set()
    while True:
        above = {name: share for name, share in shares.items() if name not in low}
        scale = (1.0 - floor * len(low)) / sum(above.values())
        lower = {name for name, share in above.items() if share * scale < floor}
        if not lower:
            return {name: floor if name in low else share * scale if low else share for name, share in shares.items()}
        low |= lower


class People:
    """Everybody in a class, by the seat of the phone; a phone that comes again finds its place."""

    def __init__(self) -> None:
        self.by_seat: dict[str, Learner] = {}
        self.questions: list[Question] = []
        self.wanted: dict[str, set[str]] = {}  # check -> seats that ask for it
        self.stating = True
        self.shut = False  # nobody new comes in

    def of(self, seat: str) -> Learner:
        """Return the learner at a seat, counting what it does.

        Raises
        ------
        CombustError
            It has not joined; it did more than a person can.
        """
        one = self.by_seat.get(seat)
        if one is None:
            raise refuse("class", "", "does not know this phone", "Join with the two words on the wall.")
        if one.deeds >= _limits()["deeds_of_a_learner"]:
            raise refuse("class", one.deeds, "has had enough from this phone", "Look on at the wall.")
        one.deeds += 1
        return one

    def join(self, seat: str, name: str = "") -> Learner:
        """Return the learner at a seat, a new one where the seat is new.

        Raises
        ------
        CombustError
            The class is full, or its door is shut; the name is no line.
        """
        name = line_of("name", name, longest=int(_limits()["name_longest"])) if name.strip() else ""
        if seat in self.by_seat:
            one = self.of(seat)
            one.name = name or one.name
            return one
        most = int(_limits()["learners"])
        if self.shut:
            raise refuse("class", "", "lets nobody in now", "Ask the trainer to open the door.")
        if len(self.by_seat) >= most:
            raise refuse("class", most, "is full", "Look on at the wall, or share a phone.")
        here = self.by_seat.values()
        sitting = Counter(one.place for one in here)
        place = min(range(1, int(_limits()["own_heaters"]) + 1), key=lambda one: sitting[one])
        self.by_seat[seat] = Learner(max((one.number for one in here), default=0) + 1, place, name)
        return self.by_seat[seat]

    def namesakes(self) -> list[list[int]]:
        """Return the numbers of learners who gave the same name, one list for each such name."""
        found: dict[str, list[int]] = {}
        for one in self.by_seat.values():
            found.setdefault(one.name.casefold(), []).append(one.number)
        return [sorted(numbers) for name, numbers in found.items() if name and len(numbers) > 1]

    def send_out(self, number: int) -> Learner:
        """Send a phone out, with its votes and what it stated and asked for; return who it was.

        Raises
        ------
        CombustError
            Nobody has that number.
        """
        seat = next((seat for seat, one in self.by_seat.items() if one.number == number), None)
        if seat is None:
            raise refuse("learner", number, "is not here", "Look at the numbers in the table.")
        for asked in self.questions:
            asked.votes.pop(seat, None)
        for seats in self.wanted.values():
            seats.discard(seat)
        return self.by_seat.pop(seat)

    # ---- what happens next -------------------------------------------------------------------------------------------
    @property
    def question(self) -> Question | None:
        """The question that was asked last."""
        return self.questions[-1] if self.questions else None

    def ask(self, text: str, answers: Sequence[str], lesson: str = "", guess: str = "") -> Question:
        """Open a question, of a lesson or of the heater; only one is open at a time.

        Raises
        ------
        CombustError
            One is open already; no text, fewer than two answers, too many, twice the same.
        """
        longest, most = int(_limits()["text_longest"]), int(_limits()["answers_most"])
        if self.question and self.question.open:
            raise refuse("question", self.question.number, "is still open", "Go on first: that closes the vote.")
        if len(self.questions) >= _limits()["questions"]:
            raise refuse("question", len(self.questions), "are enough for one class", "End the class, start another.")
        text = line_of("question", text, longest=longest)
        lines = tuple(line_of("answer", one, longest=longest) for one in answers)
        if not 2 <= len(lines) <= most or len(set(lines)) < len(lines):
            raise refuse("answer", len(lines), "is no choice", f"Give 2 to {most} answers, each another sentence.")
        self.questions.append(
            Question(len(self.questions) + 1, text, lines, lesson=lesson[:longest], guess=guess[:longest])
        )
        return self.questions[-1]

    def close(self) -> None:
        """Close the vote, if one is open."""
        if self.question:
            self.question.open = False

    def vote(self, seat: str, number: int, answer: int) -> None:
        """Vote, or vote otherwise while it is open: one phone has one vote.

        Raises
        ------
        CombustError
            Not in the class, another question, closed, no such answer.
        """
        self.of(seat)
        asked = self.question
        if asked is None or asked.number != number or not asked.open:
            raise refuse("vote", number, "is closed: it was seen what happened", "Wait for the next question.")
        self._answer(asked, answer)
        asked.votes[seat] = answer

    def tell_happened(self, number: int, answer: int) -> None:
        """Write down which answer came true.

        Raises
        ------
        CombustError
            No such question or answer; the vote is open still.
        """
        asked = self.questions[number - 1] if 1 <= number <= len(self.questions) else None
        if asked is None or asked.open:
            raise refuse("question", number, "was not closed yet", "Go on first, then say what happened.")
        self._answer(asked, answer)
        asked.happened = answer

    @staticmethod
    def _answer(asked: Question, answer: int) -> None:
        if not 0 <= answer < len(asked.answers):
            raise refuse("answer", answer, "is none of the answers", "Press one of them.")

    # ---- checks and causes -------------------------------------------------------------------------------------------
    def want(self, seat: str, check: str) -> None:
        """Ask for a check.

        Raises
        ------
        CombustError
            Not in the class; a check that is not offered.
        """
        self.of(seat)
        name = str(Field("check", "choice", choices=tuple(class_table()["check"])).checked(check))
        self.wanted.setdefault(name, set()).add(seat)

    def state(self, seat: str, stated: Mapping[str, float]) -> Learner:
        """State causes with per cents; what is stated later takes the place of what was stated before.

        Raises
        ------
        CombustError
            Not in the class, too late, unknown causes, numbers that are no per cents.
        """
        one = self.of(seat)
        if not self.stating:
            raise refuse("statement", one.number, "comes too late: the answer was shown", "Wait for the next heater.")
        word = Field("cause", "choice", choices=class_causes())
        share = Field("share", low=0.0, high=FULL, unit="%", hint="Give 0 to 100 %.")
        found = {str(word.checked(name)): float(share.checked(value)) for name, value in stated.items()}
        if not any(found.values()):
            raise refuse("statement", "", "names no cause", "Choose at least one cause and say how sure you are.")
        one.stated = {name: value for name, value in found.items() if value}
        one.counted, one.told = spread(one.stated)
        return one

    def anew(self) -> None:
        """Forget checks and statements: another heater stands there. Who is here and what was voted stays."""
        self.close()
        self.wanted.clear()
        self.stating = True
        for one in self.by_seat.values():
            one.stated, one.counted, one.told = {}, {}, ()
