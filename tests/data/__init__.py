"""Tests of the data floor."""
