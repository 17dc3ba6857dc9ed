"""The mystery heater: a teaching case whose answer stays with the trainer."""

from combust.application.mystery.case import CaseKey, MysteryCase, Play
from combust.application.mystery.class_summary import ClassSummary, class_summary
from combust.application.mystery.deal import Dealer, mystery
from combust.application.mystery.debrief import Debrief, debrief
from combust.application.mystery.played_visit import PlayedVisit
from combust.application.mystery.scoring import Score, Statement, score

__all__ = [
    "CaseKey",
    "ClassSummary",
    "Dealer",
    "Debrief",
    "MysteryCase",
    "Play",
    "PlayedVisit",
    "Score",
    "Statement",
    "class_summary",
    "debrief",
    "mystery",
    "score",
]
