"""The page where a mystery heater is played: checks are bought, probabilities stated, the case is scored."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from typing import Any

from combust.application.mystery import Dealer, Play, Score, Statement, score
from combust.application.mystery.rules import LEVELS, dealt_causes, in_words, price_rows
from combust.application.mystery.rules import table as rules
from combust.data.errors import CombustError, Fault
from combust.domain.limits import cautions
from combust.domain.result import text_of_rows
from combust.edge.notebook import Shown, widget_library
from combust.edge.page.fields import field_maker
from combust.edge.reports.html import bullets, paragraphs, status, table

SHARES = tuple(round(0.05 * step, 2) for step in range(21))


def price_table() -> Shown:
    """Return checks and actions with what they cost."""
    rows = [(row["name"], row["text"], row["heater"], row["price"]) for row in price_rows()]
    return Shown(
        table(rows, ("check", "what is done", "heater", "cost")),
        text_of_rows((name, f"{price.minutes:g} min  {words}") for name, words, _, price in rows),
    )


class MysteryPage:
    """Widgets of the page for practice alone; ``show()`` returns them.

    The salt is drawn anew for every page and kept by it, since there is no instructor: practice is on one's honour.
    A class plays with ``combust mystery`` and the instructor's own salt.

    Parameters
    ----------
    seed : int, optional
        Seed of the first case.
    dealer : Dealer, optional
        For tests and instructors; otherwise one with a random salt.

    Examples
    --------
    >>> page = MysteryPage(seed=1, dealer=Dealer("a sentence for the example"))
    >>> page.deal("easy")
    >>> page.take("ambient_air")
    >>> "ambient_o2_pct" in page.told.value
    True
    """

    def __init__(self, seed: int | None = None, dealer: Dealer | None = None) -> None:
        widgets, field = widget_library(), field_maker("34em", "40%, 12em")
        self._dealer = dealer or Dealer(secrets.token_hex(16))
        self._seed = secrets.randbelow(2**31) if seed is None else seed
        self.play: Play | None = None
        self.last: Score | None = None
        self.stated: dict[str, float] = {}
        named = [(one.label, name) for name, one in dealt_causes().items()]

        def button(words: str, act: Any) -> Any:
            made = widgets.Button(description=words, layout=widgets.Layout(width="min(100%, 14em)"))
            made.on_click(lambda _: act())
            return made

        self.level = field("Dropdown", "Level", options=LEVELS)
        self.step = field("Dropdown", "Check or action", options=[])
        self.cause = field("Dropdown", "Cause", options=named)
        self.second = field("Dropdown", "and also", options=[("no second cause", ""), *named[1:]])
        shares = [(f"{100 * one:.0f} %", one) for one in SHARES]
        self.share = field("SelectionSlider", "Probability", options=shares, value=0.5)
        self.excluded = field("SelectMultiple", "Excluded", options=named, rows=8)
        self.handed = field("Checkbox", "I hand the heater back for use", style={})
        record = rules()["record"]["field"].items()
        self.record = {name: field("Text", name.capitalize(), placeholder=text) for name, text in record}
        self.told, self.stand, self.result = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self._all = widgets.VBox(
            [
                self.level,
                button("Deal a case", lambda: self.deal(self.level.value)),
                self.told,
                self.step,
                button("Make this step", lambda: self.take(self.step.value)),
                self.cause,
                self.second,
                self.share,
                button("State this", self._state),
                self.stand,
                self.excluded,
                *self.record.values(),
                self.handed,
                button("Finish and score", self.finish),
                self.result,
                widgets.HTML(paragraphs(cautions())),
            ]
        )
        self.told.value = "<p>Choose a level and deal a case.</p>"

    def show(self) -> Any:
        """Return the whole page as one widget."""
        return self._all

    def deal(self, level: str) -> None:
        """Deal the next case."""
        self.play = Play(self._dealer.deal(self._seed, level))
        self._seed += 1
        self.stated, self.result.value, self.last = {}, "", None
        self._tell()

    def take(self, step: str) -> None:
        """Make a check or an action and show what it gives."""
        if self.play is None or not step:
            return
        try:
            self.play = self.play.take(step)
        except CombustError as error:
            self._tell(error.faults)
            return
        self._tell()

    def state(self, answer: str, share: float) -> None:
        """State the probability of one answer; 0 takes it back."""
        trial = {name: value for name, value in {**self.stated, answer: share}.items() if value > 0.0}
        try:
            Statement.of(trial)
        except CombustError as error:
            self.stand.value = status(paragraphs(error.faults))
            return
        self.stated = trial
        left = 1.0 - sum(trial.values())
        listed = bullets(f"{name}: {100 * value:.0f} %" for name, value in trial.items())
        self.stand.value = status(paragraphs([f'Stated (the rest, {100 * left:.0f} %, is "I cannot tell"):']) + listed)

    def _state(self) -> None:
        names = {self.cause.value, self.second.value} - {""}
        self.state("+".join(sorted(names)), self.share.value)

    def finish(self) -> None:
        """Score the case and show the answer; it can be played no further."""
        if self.play is None:
            return
        record = {name: field.value for name, field in self.record.items()}
        try:
            statement = Statement.of(self.stated, self.excluded.value, self.handed.value, record)
            self.last = score(self._dealer, self.play, statement)
        except CombustError as error:
            self.result.value = paragraphs(error.faults)
            return
        self.result.value = status(self.last._repr_html_())
        self.step.options = []
        self.play = None

    def _tell(self, faults: Iterable[Fault] = ()) -> None:
        """Show where the visit stands: stops first, then the readings, then what was used."""
        if self.play is None:
            return
        visit, case = self.play.visit(), self.play.case
        broken = [f"SAFETY: {rules()['breach'][code]}" for code in visit.breaches]
        shown = [(name, in_words(row) or "done") for name, row in visit.shown.items()]
        self.told.value = status(
            paragraphs(visit.safety.lines(), strong=True)
            + paragraphs([*broken, *faults], strong=True)
            + paragraphs([*str(case).splitlines(), "Healthy baseline of this heater:"])
            + bullets(in_words(one.reading) for one in case.heater.baselines)
            + (table(shown, ("step", "what it shows")) if shown else "")
            + paragraphs([f"Used: {visit.used}."])
        )
        # The whole price list: whether a step is allowed now is what the learner has to judge.
        rows = [row for row in price_rows() if not visit.refusal(row["name"])]
        self.step.options = [(f"{row['name']} ({row['price']})", row["name"]) for row in rows]
