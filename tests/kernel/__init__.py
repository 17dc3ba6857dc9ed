"""Tests of the kernel floor."""
