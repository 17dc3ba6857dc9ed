"""The mystery heater: a teaching case whose answer the learner's copy does not show."""

from combust.application.mystery.case import MysteryCase, Play
from combust.application.mystery.deal import Answer, Dealer, mystery
from combust.application.mystery.played_visit import PlayedVisit
from combust.application.mystery.scoring import Score, Statement, score

__all__ = ["Answer", "Dealer", "MysteryCase", "Play", "PlayedVisit", "Score", "Statement", "mystery", "score"]
