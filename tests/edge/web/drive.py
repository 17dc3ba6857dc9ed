"""Every way of a server in a process of its own: which answered, and which heavy libraries were loaded for it."""

from __future__ import annotations

import io
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from combust.application.mystery.rules import LEVELS
from combust.edge.web.settings import Settings
from combust.edge.web.ways import WAYS
from tests.edge.runs import ROOT
from tests.edge.web.phone import Phone

HEAVY = ("matplotlib", "pandas", "scipy", "cantera", "dask", "IPython")
READING = {"o2_dry_pct": "8.2", "co_dry_ppm": "45", "flue_temp_c": "330", "location": "outdoors", "stage": "high"}


def drive(folder: Path, plan: Path | None) -> dict[str, int]:
    """Ask for every way once; return its status by method and path."""
    series = folder / "series.csv"
    series.write_bytes((ROOT / "data" / "larkfell_series.csv").read_bytes())
    phone = Phone(Settings(bytes(32), folder / "w.book", ROOT / "data" / "heaters", series=series, plan=plan))
    seen: dict[str, int] = {}

    def get(path: str, way: str = "") -> str:
        answer = phone.get(path)
        seen[f"GET {way or path}"] = answer.status_code
        return answer.text

    def post(path: str, typed: dict[str, str], page: str, way: str = "", **more: object) -> None:
        seen[f"POST {way or path}"] = phone.post(path, typed, page=page, **more).status_code

    for path in ("/", "/token", "/pair", "/share", "/reading", "/word", "/site", "/plan", "/plan/whole", "/day"):
        get(path)
    for path in ("/emergency", "/mystery", "/lesson", "/api/openapi.json"):
        get(path)
    for number in range(10, 20):
        get(f"/lesson/{number}?seen=1", "/lesson/{number}")
    post("/units", {"units": "metric"}, "/")
    post("/reading", READING, "/reading")
    post("/site", {"heater": "heater-0312", "altitude_m": "900", "intake_temp_c": "0"}, "/site")
    post("/day", {"who": "T. Larkwood", "altitude_m": "210", "intake_temp_c": "5"}, "/day")
    post("/visit", {"heater": "heater-0312", "visit_id": "V1"}, "/visit")
    get("/visit")
    get("/day/sheet")
    here, way = "/visit/V1", "/visit/{visit_id}"
    post(f"{here}/reading", READING, f"{here}/reading", f"{way}/reading")
    get(here, way)
    post(f"{here}/check", {"check": "look_at_terminals", "terminals": "clear"}, here, f"{way}/check")
    post(f"{here}/say", {"kind": "repair", "text": "hose replaced"}, f"{here}/say", f"{way}/say")
    post(f"{here}/watch", {"o2_dry_pct": "8.2"}, f"{here}/watch", f"{way}/watch")
    picture = io.BytesIO()
    Image.new("RGB", (30, 20)).save(picture, "JPEG")
    files = {"photo": ("a.jpg", picture.getvalue(), "image/jpeg")}
    post(f"{here}/photo", {"shows": "soot"}, f"{here}/photo", f"{way}/photo", files=files)
    name = get(f"{here}/photo", f"{way}/photo").partition(f'src="{here}/photo/')[2].partition('"')[0]
    get(f"{here}/photo/{name}", f"{way}/photo/{{name}}")
    for part in ("reading", "say", "watch", "record", "entries", "sheet"):
        get(f"{here}/{part}", f"{way}/{part}")
    get(f"{here}/sheet?numbers=1&save=1", f"{way}/sheet")
    get(f"{here}/entries/4", f"{way}/entries/{{entry}}")
    post(f"{here}/entries/4", {"co_dry_ppm": "46"}, f"{here}/entries/4", f"{way}/entries/{{entry}}")
    post(f"{here}/missing", {"field": "rest", "reason": "no time"}, f"{here}/record", f"{way}/missing")
    post(f"{here}/complete", {"handed_back": "no"}, f"{here}/record", f"{way}/complete")
    post(f"{here}/close", {"incomplete": "1"}, f"{here}/record", f"{way}/close")
    post(f"{here}/reopen", {"reason": "more"}, f"{here}/record", f"{way}/reopen")
    seen["POST /pair"] = phone.post("/pair", {"code": "0"}, page="/pair").status_code
    case = f"/mystery?seed=7&level={next(iter(LEVELS))}"
    seen["POST /mystery/step"] = phone.post("/mystery/step", {"take": "heating_air"}, page=case).status_code
    seen["POST /mystery"] = phone.post("/mystery", {}, page=case).status_code
    seen["POST /api/reading"] = phone.send("/api/reading", {"o2_dry_pct": 8.2}).status_code
    seen[f"GET /api{way}"] = phone.get(f"/api{here}").status_code
    line = {"line": "note seen"}
    seen[f"POST /api{way}/entries"] = phone.send(f"/api{here}/entries", line).status_code
    drive_class(get, post)
    return seen


def drive_class(get: Callable[..., str], post: Callable[..., None]) -> None:
    """Ask for every way of a class once, as trainer and learner in one."""
    get("/class/start")
    post("/class/start", {"heater": "heater-0312", "whose": "own", "story": "bubbles", "factor": "5"}, "/class/start")
    words = re.findall(r'class="join">[^<]*<strong>([a-z ]+)<', get("/class/wall"))
    get("/class/join")
    post("/class/join", {"words": words[0]}, "/class/join")
    post("/class/desk", {"do": "ask", "ready": "o2"}, "/class/desk")
    post("/class/vote", {"answer": "0"}, "/class")
    post("/class/check", {"check": "port_pressures"}, "/class")
    post("/class/drive", {"drive": "heat"}, "/class")
    post("/class/say", {"cause_0": "healthy", "share_0": "60"}, "/class/say")
    for path in ("/class", "/class/say", "/class/desk", "/class/summary", "/class/summary.csv"):
        get(path)


if __name__ == "__main__":
    asked = drive(Path(sys.argv[1]), Path(sys.argv[2]) if sys.argv[2:] else None)
    lacking = [name for way in WAYS if (name := f"{way.method} {way.path}") not in asked]
    print(json.dumps({"asked": asked, "lacking": lacking, "heavy": [one for one in HEAVY if one in sys.modules]}))
