"""Flame chemistry of the lessons: equilibrium, a stirred reactor, and the shipped tables of both."""
