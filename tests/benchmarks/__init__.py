"""Benchmarks: run as scripts, print ratios against peers in the same run, gate nothing."""
