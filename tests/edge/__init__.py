"""Tests of the edge floor."""
