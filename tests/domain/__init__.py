"""Tests of the domain floor."""
