"""Inputs that once failed: each is given to its target in every test run and stands in the corpus of every fuzzing."""

from __future__ import annotations

from tests.fuzz.targets_tables import parquet_seed

RAGGED = (
    b"visit_id,heater_id,taken_at,fuel,o2_dry_pct,location\nV1,heater-1,2021-10-10T09:30,diesel_b7,7,outdoors,slipped\n"
)

REGRESSIONS: dict[str, list[bytes]] = {
    # A second heading without a name, in a table with decimal commas: the columns were looked up by name.
    "vehicles_csv": [b"vehicle_id;site_id;;\nV1;hut;7,5;x\n"],
    # A lone carriage return in the heading: rows had slipped into it, and the output was ragged for other readers.
    "readings_rejects": [b"o2_dry_pct,note\r8.2,a\n22,x\n", b'o2_dry_pct,"no\r\nte"\n22,x\n8,"a\rb"\n'],
    # A row with more cells than headings was refused and taken as well.
    "history_csv": [RAGGED],
    "logbook_table": [RAGGED],
    # A whole number of more than 4300 digits is a ValueError of Python.
    "profile_toml": [b"nominal_v = " + b"9" * 4500],
    "policy_toml": [b"air_ratio_min = " + b"9" * 4500],
    # Bytes that are no UTF-8 reach the program as lone surrogates, which SQLite cannot hold.
    "command_log": [
        b"show\nw.book\n--visit-id\nV\xff",
        b"add\nw.book\n--visit-id=V1\n--who=\xff",
        b"show\nw.book\n--visit-id=heater-0107 2021-10-10\n--revision=99999999999999999999999",
    ],
    # A case file whose place or first reading lacks something, or holds something else.
    "mystery_case": [
        b"~case.context.stage=x",
        b"~case.first.o2_dry_pct=x",
        b"~case.context.staple=null",
        b'~case.context.altitude_m="high"',
        b"~case.first.co_dry_ppm=NaN",
        b"~case.context.stage=7",
        b'~shown=[{"step": "start_again", "result": {}}]',
        b'~shown=[{"step": [], "result": {}}]',
        b'~case.context.stage="haigh"',
        # A check that moves the heater: a place is no result, whatever it says.
        b'~shown=[{"step": "ambient_air", "result": {"location": []}}]',
        b'~shown=[{"step": "ambient_air", "result": {"location": "outdoors"}}]',
    ],
    # A key whose account, or whose start, holds something else.
    "mystery_key": [b'~handed_out={"A": {"anna": ["wait", []]}}'],
    # A block of blank lines only.
    "series_csv": [b"time_s;min;hig;14,0;15\xcf\xf5\xce\xcf0;1,68,d;14\n\n"],
    # A column name of a Parquet file that is no UTF-8.
    "readings_parquet": [parquet_seed()[0].replace(b"location", b"lo\xd2ation")],
    # No salt and nobody to ask: it ended as if Ctrl-C had been pressed.
    "command_mystery": [b"score\ncase.json", b"deal\n--seed=3\n--out=new.json"],
}
