"""Every input of every command: good files in one folder, and the command lines that read and write them.

What is tried on all commands goes through these lists: a command, or an option, that is added asks for its line here
(``test_every_input_of_every_command_is_damaged``, ``test_every_output_of_every_command_is_tried``).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from combust.edge.tables.anonymous import write_anonymous
from tests.application.learning.test_anonymous import contribution
from tests.application.learning.test_learnt import FAR
from tests.edge.runs import DATA, ROOT, call
from tests.edge.test_photos_travel import taken
from tests.edge.test_weather_series import epw
from tests.fuzz.sandbox import inputs
from tests.long import LONG

BOOKS = ("w.book", "keyed.book", "old.book", "seen.book")
FLEET = ("fleet", "--vehicles=vehicles.csv", "--sites=sites.csv", "--profiles=profiles")
OF_TWO = ("fleet", "--vehicles=vehicles.csv", "--sites=two.csv", "--profiles=profiles")
NOUGHT = ("reading", "--o2-dry=8.2", "--location=outdoors")
HUT = "snow_base_varrowmantle"
SITE = "2150,-19,10,130,11,-7,-20,,779.5,3,12.5,48.5,-19;-17;-7;0,10,4,-19;-17;-13;-7;0;4;6;4;0;-6;-13;-17,invented\n"
# As few rows as there can be, with every column: what a plan takes is nearly all behind its reading.
SMALL_FLEET = {
    "vehicles.csv": (
        "vehicle_id,group,heater_id,profile,site_id,route_id,cab_ua_w_per_k,cab_target_c,ventilation_m3_per_h,compensation,"
        "compensation_limit_m,battery_ah,battery_v,blower_trim_max_pct,fuel,service_due_month,note\n"
        f"car-101,clinics,heater-0107,small,{HUT},moor,43,20,15,fuel,2400,140,12,10,0.8 diesel_b7 + 0.2 kerosene,9,x\n"
        f"car-102,,,small,{HUT},,49,,,none,,,,,,,\n"
    ),
    "sites.csv": (
        head := "site_id,altitude_m,design_temp_c,mildest_use_temp_c,nights_per_season,hours_per_night,median_temp_c,"
        "cold_filter_plugging_c,fuel,pressure_hpa,capacity,east_km,north_km,night_temps_c,season_first_month,"
        "season_last_month,month_coldest_c,note\n"
    )
    + f"{HUT},{SITE}",
    "two.csv": f"{head}{HUT},{SITE}depot,{SITE.replace('2150', '310').replace('779.5', '')}",
    "routes.csv": "route_id,distance_km,altitude_m,minutes,temp_c,note\nmoor,0,1500,9,-3.3,\nmoor,8,2150,7,-9,snow\n",
}
# A file -> the command lines that read it.
LINES: dict[str, tuple[tuple[str, ...], ...]] = {
    "t.csv": (("readings", "t.csv", "--out=o.csv", "--rejects=r.csv"), ("log", "add", "new.book", "t.csv")),
    "t.parquet": (("readings", "t.parquet", "--out=o.parquet"), ("history", "t.parquet", "--fleet")),
    "map.toml": (("readings", "marked.csv", "--map=map.toml", "--out=o.csv"),),
    "visits.csv": (("log", "add", "new.book", "visits.csv"), ("cause", "visits.csv", "--heater=h.toml")),
    "found.csv": (
        ("right", "found.csv", "--heaters=few", "--out=o.html"),
        ("learn", "found.csv", "--heaters=few", "--out=o.toml"),
        ("share", "found.csv", "--heaters=few"),
        ("log", "add", "new.book", "found.csv"),
    ),
    "others.csv": (("learn", "others.csv", "--out=o.toml"), ("share", "others.csv", "found.csv", "--heaters=few")),
    "others.parquet": (("learn", "others.parquet"), ("share", "others.parquet", "--out=o.parquet", "--yes")),
    "learnt.toml": (
        ("cause", "--heater=h.toml", "--o2-dry=6", "--learnt=learnt.toml"),
        ("right", "found.csv", "--heaters=few", "--learnt=learnt.toml"),
        ("visit", "day", "w.book", "learnt", "learnt.toml"),
    ),
    "winters.csv": (
        ("history", "winters.csv", "--heater=g.toml"),
        ("history", "winters.csv", "--fleet", "--json"),
        (*FLEET, "--history=winters.csv", "--out=plan"),
    ),
    "steady.csv": (("log", "series", "steady.csv", "--into=w.book", "--visit-id=V18"),),
    "series.csv": (("log", "series", "series.csv"),),
    "points.csv": (("site", "--heater=h.toml", "--points=points.csv", "--points-out=p.parquet"),),
    "points.parquet": (("site", "--heater=h.toml", "--points=points.parquet", "--points-out=p.parquet"),),
    "h.toml": (
        ("profile", "check", "h.toml"),
        ("site", "--altitude=2000", "--intake-temp=0", "--heater=h.toml"),
        ("start", "--heater=h.toml"),
        ("supply", "--heater=h.toml", "--battery=12.4", "--plug-glow=11.1"),
        ("cause", "--heater=h.toml", "--o2-dry=6"),
        ("duct", "--heater=h.toml", "--stage=high", "--add-length=2"),
    ),
    "g.toml": (("history", "winters.csv", "--heater=g.toml"),),
    "few/heater-0312.toml": (
        ("visit", "open", "new.book", "heater-0312", "--heaters=few"),
        ("history", "winters.csv", "--heater=few"),
        ("right", "found.csv", "--heaters=few"),
        ("learn", "found.csv", "--heaters=few"),
        ("share", "found.csv", "--heaters=few"),
    ),
    "fuels.toml": (
        ("fuel", "--fuels=fuels.toml"),
        (*NOUGHT, "--fuel=winter", "--fuels=fuels.toml"),
        ("readings", "t.csv", "--fuels=fuels.toml", "--out=o.csv"),
        ("cause", "--heater=h.toml", "--o2-dry=6", "--fuels=fuels.toml"),
        ("site", "--altitude=2000", "--intake-temp=0", "--heater=h.toml", "--fuels=fuels.toml"),
        ("profile", "check", "h.toml", "--fuels=fuels.toml"),
        ("duct", "--heater=h.toml", "--stage=high", "--add-length=2", "--fuels=fuels.toml"),
    ),
    "analyser.toml": ((*NOUGHT, "--instrument-class=analyser.toml"),),
    "causes.toml": (
        ("cause", "--heater=h.toml", "--o2-dry=6", "--causes=causes.toml"),
        ("learn", "found.csv", "--heaters=few", "--causes=causes.toml"),
    ),
    "procedure.toml": (("log", "procedure", "--file=procedure.toml"),),
    "interlocks.toml": (("start", "--checklist", "--interlocks=interlocks.toml"),),
    "case.json": (
        ("mystery", "play", "case.json"),
        ("mystery", "score", "case.json", "--key=key.json"),
        ("mystery", "score", "case.json", "other.json", "--key=key.json", "--csv=o.csv"),
    ),
    "key.json": (
        ("mystery", "score", "case.json", "--key=key.json"),
        ("mystery", "play", "case.json", "--take=heating_air", "--key=key.json"),
        ("mystery", "deal", "--seed=7", "--level=easy", "--salt-file=salt.txt", "--out=new.json", "--key=key.json"),
    ),
    "salt.txt": (
        ("mystery", "deal", "--seed=7", "--level=easy", "--salt-file=salt.txt", "--out=new.json"),
        ("mystery", "sheet", "--seed=7", "--level=easy", "--count=1", "--salt-file=salt.txt", "--out=sheet"),
    ),
    "w.jsonl": (("log", "import", "new.book", "w.jsonl"), ("log", "import", "old.book", "w.jsonl")),
    "w.key": (
        ("log", "verify", "keyed.book", "--key-file=w.key"),
        ("visit", "enter", "keyed.book", "o2", "8"),
        ("visit", "day", "new.book", "who", "N. Fell", "--key-file=w.key"),
        ("visit", "open", "new.book", "heater-0312", "--key-file=w.key"),
        ("log", "add", "new.book", "visits.csv", "--key-file=w.key"),
        ("log", "import", "new.book", "w.jsonl", "--key-file=w.key"),
    ),
    "seen.book.photos/PHOTO": (
        ("log", "verify", "seen.book"),
        ("log", "export", "seen.book", "--out=o.jsonl"),
        ("log", "import", "new.book", "seen.book"),
        ("visit", "print", "seen.book", "--visit-id=V1", "--out=v.html"),
    ),
    "vehicles.csv": ((*FLEET, "--out=plan"),),
    "sites.csv": ((*FLEET, "--out=plan"),),
    "routes.csv": ((*FLEET, "--routes=routes.csv", "--out=plan"),),
    "policy.toml": ((*FLEET, "--policy=policy.toml", "--out=plan"),),
    f"weather/{HUT}.csv": ((*FLEET, "--weather=weather", "--out=plan"),),
    f"years/{HUT}.epw": ((*FLEET, "--weather=years", "--out=plan"),),
    "profiles/small.toml": ((*FLEET, "--out=plan"),),
    "a/plan.jsonl": (("fleet", "diff", "a", "b", "--out=d"),),
    "a/vehicles.parquet": (("fleet", "diff", "a", "b", "--out=d"),),
    "a/sites.parquet": (("fleet", "diff", "b", "a", "--out=d"),),
    "a/moves.csv": ((*OF_TWO, "--change=moves a/moves.csv", "--out=plan"),),
}
OF_BOOK = (
    ("log", "show", "w.book"),
    ("log", "show", "w.book", "--visit-id=V17", "--json"),
    ("log", "backup", "w.book", "--out=c.book"),
    ("visit", "print", "w.book", "--visit-id=V17", "--out=v.html", "--numbers"),
    ("visit", "print", "w.book", "--day=2026-01-12", "--out=d.html"),
    ("log", "export", "w.book", "--out=e.csv"),
    ("history", "w.book", "--fleet"),
    ("cause", "w.book", "--visit-id=V17"),
    ("start", "w.book", "--visit-id=V18"),
    ("supply", "w.book", "--visit-id=V18"),
    ("log", "import", "new.book", "w.book"),
    ("log", "import", "w.book", "old.book"),
    ("visit", "enter", "w.book", "o2", "8.3", "co", "60"),
    ("visit", "close", "w.book", "--incomplete"),
    ("visit", "correct", "w.book", "3", "battery", "12.3", "because", "misread"),
    ("visit", "reopen", "w.book", "--visit-id=V17", "--reason=x"),
    ("visit", "day", "w.book", "who", "N. Fell"),
    ("visit", "stand", "w.book"),
    ("log", "add", "w.book", "t.csv"),
    ("visit", "open", "w.book", "heater-0312", "--visit-id=V19"),
    ("log", "series", "steady.csv", "--into=w.book", "--visit-id=V18"),
    ("right", "w.book"),
    ("learn", "w.book"),
    ("share", "w.book"),
)
# Lines with every output of every command, in the folder "out".
WRITE: tuple[tuple[str, ...], ...] = (
    (*NOUGHT, "--out=out/r.json", "--figure=out/r.svg"),
    ("readings", "marked.csv", "--map=map.toml", "--out=out/o.csv", "--rejects=out/r.csv", "--save-map=out/m.toml"),
    ("cause", "--heater=h.toml", "--o2-dry=6", "--no-pairs", "--out=out/c.json", "--figure=out/c.svg"),
    ("start", "--heater=h.toml", "--figure=out/s.svg"),
    ("profile", "new", "--out=out/h.toml"),
    ("visit", "print", "w.book", "--visit-id=V17", "--out=out/v.html"),
    ("visit", "print", "w.book", "--day=2026-01-12", "--out=out/d.html"),
    ("log", "export", "w.book", "--out=out/e.csv"),
    ("log", "export", "seen.book", "--out=out/e.jsonl"),
    ("log", "backup", "seen.book", "--out=out/c.book"),
    ("log", "add", "w.book", "t.csv", "--rejects=out/r.csv"),
    ("history", "winters.csv", "--fleet", "--figure=out/h.svg"),
    ("right", "found.csv", "--heaters=few", "--out=out/o.html"),
    ("learn", "others.csv", "--out=out/o.toml"),
    ("share", "others.csv", "--out=out/o.csv", "--yes"),
    ("site", "--altitude=2000", "--intake-temp=0", "--heater=h.toml", "--out=out/s.json", "--table=out/t.csv",
     "--figure=out/s.svg", "--ceiling-figure=out/c.svg"),
    ("site", "--heater=h.toml", "--points=points.csv", "--points-out=out/p.parquet"),
    (*FLEET, "--out=out/plan"),
    ("exercises", "--seed=7", "--out=out/pages"),
    ("mystery", "deal", "--seed=7", "--level=easy", "--salt-file=salt.txt", "--out=out/c.json", "--key=out/key.json"),
    ("mystery", "score", "case.json", "--key=key.json", "--csv=out/o.csv"),
    ("mystery", "sheet", "--seed=7", "--level=easy", "--count=1", "--salt-file=salt.txt", "--out=out/sheet"),
    ("demo", "--out=out/demo"),
)  # fmt: skip
# Those that neither read nor write a file.
NO_FILE = (("word", "lambda"), ("completion", "bash"), ("visit", "words"))


def good_files(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Give a folder with every good file."""
    folder = tmp_path_factory.mktemp("good")
    for name, data in inputs().items():
        (folder / name).write_bytes(data)
    fleet = DATA / "larkfell_fleet"
    for name, text in SMALL_FLEET.items():
        (folder / name).write_text(text, "utf-8")
    (folder / "profiles").mkdir()
    (folder / "profiles" / "small.toml").write_bytes((fleet / "profiles" / "small.toml").read_bytes())
    (folder / "weather").mkdir()
    hours = (fleet / "weather" / f"{HUT}.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "weather" / f"{HUT}.csv").write_text("".join(hours[:20]), "utf-8")
    pq.write_table(pa.csv.read_csv(folder / "t.csv"), folder / "t.parquet")
    points = pa.table({"altitude_m": [200.0, 1500.0, 3000.0], "temp_c": [10.0, -5.0, -20.0]})
    pq.write_table(points, folder / "points.parquet")
    pa.csv.write_csv(points, folder / "points.csv")
    (folder / "map.toml").write_text(
        '[headings]\n"O2" = "o2_dry_pct"\n[whole_file]\nlocation = "outdoors"\n[marks]\n"OL" = ">4000"\n'
    )
    (folder / "marked.csv").write_text("O2;co_dry_ppm\n8,2;150\n8,3;OL\n")
    logbook, few = DATA / "larkfell_logbook", folder / "few"
    found = (logbook / "visits.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "found.csv").write_text("".join(found[:9]), "utf-8")
    (folder / "steady.csv").write_bytes((DATA / "larkfell_series.csv").read_bytes())
    few.mkdir()
    for path in (DATA / "heaters" / "heater-0312.toml", logbook / "heaters" / "heater-1001.toml"):
        (few / path.name).write_bytes(path.read_bytes())
    (folder / "learnt.toml").write_text(FAR.to_toml(), "utf-8")
    for name, shipped in {"procedure": "visit_procedure", "interlocks": "start_guide"}.items():
        (folder / f"{name}.toml").write_bytes((ROOT / "combust" / "data" / f"{shipped}.toml").read_bytes())
    monkeypatch = pytest.MonkeyPatch()
    monkeypatch.chdir(folder)  # for the whole file: it is where every line runs
    (folder / "w.book").unlink()
    for line in (
        "visit day w.book who T.Larkwood place Fellarch alarm works outdoors altitude 210 air 15 zeroo2 20.9 zeroco 0",
        "visit open w.book heater-0312 --visit-id V17 at 2026-01-12T09:10+01:00 fuel diesel_b7",
        "visit enter w.book high o2 4.84 flue 330 co 120 smoke 1 plug 12.5 intake_static -140",
        "visit enter w.book repair crushed intake hose replaced",
        "visit enter w.book high o2 8.2 co 45 flue 330 smoke 0",
        "visit enter w.book cab 1 outside 0 handed_back yes",
        "visit close w.book --incomplete",
        "visit open w.book heater-0107 --visit-id V18",
        "visit enter w.book lit_and_died cold soak -22 grade summer battery 12.2 plug glow 11.2 disconnect 11.5",
        "visit enter w.book missing rest no meter here",
        "visit enter w.book handed_back no",
        "log export w.book --out w.jsonl",
        "visit open keyed.book heater-0312 --visit-id K1 --key-file w.key",
        "visit enter keyed.book outdoors o2 8.2",
        "log backup w.book --out old.book",
        *(" ".join((*FLEET, f"--out={name}")) for name in "ab" if LONG),
    ):
        done = call(*line.split())
        assert done.code == 0, (line, done.err)
    (folder / "other.json").write_bytes((folder / "case.json").read_bytes())
    taken(folder / "seen.book", (10,))
    for name in ("others.csv", "others.parquet"):
        write_anonymous(contribution(1, size=(20, 120)), folder / name)
    (folder / "a" / "moves.csv").write_text(
        "vehicle_id,group,from_site,from_route,to_site,to_route,reason\n"
        f"car-101,clinics,{HUT},moor,depot,,\ncar-102,,{HUT},,depot,,warmer\n"
    ) if LONG else None
    if LONG:
        (folder / "years").mkdir()
        epw(folder / "years" / f"{HUT}.epw", 1830.0, days=2)
    yield folder
    monkeypatch.undo()
