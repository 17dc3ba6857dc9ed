"""Tests of the application floor."""
