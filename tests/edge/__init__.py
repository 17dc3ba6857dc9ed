"""Tests of the edge floor: commands, tables, figures."""
