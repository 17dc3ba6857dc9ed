"""Tests of the fleet floor."""
