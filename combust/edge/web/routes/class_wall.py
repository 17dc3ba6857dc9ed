"""The wall of a class, to read only, and what the class made of its heater: a page and a table."""

from __future__ import annotations

from starlette.responses import Response

from combust.application.trainer.class_summary import summary_of
from combust.edge.tables.formulas import csv_of_rows
from combust.edge.web import class_view as view
from combust.edge.web.asked import Asked
from combust.edge.web.class_svg import heater_picture, strip

AGAIN = ("2", "5", "10")  # seconds after which a browser without script asks again


def show(asked: Asked) -> Response:
    """Return the wall; ``?again=5`` has a browser without script ask for it again."""
    hall = asked.house.hall
    if not hall.words:
        return asked.go("/class/start")
    with hall.open() as room:
        display, people = room.heater.session.display(), room.people
        facts = {
            **view.common(room, room.front),
            "front": room.front,
            "words": room.words,
            "phase": display.phase_label,
            "locked": display.locked,
            "picture": heater_picture(display),
            "strip": strip(tuple(room.heater.strip)),
            "question": view.question_of(people.question),
            "here": len(people.by_seat),
            "events": view.events(room, room.front),
            "tick": f"{room.tick} {room.changed}",
        }
    again = asked.request.query_params.get("again", "")
    answer = asked.show("class_wall", again=again if again in AGAIN else "", link=asked.house.settings.name, **facts)
    if again in AGAIN:
        answer.headers["refresh"] = again
    return answer


def summary(asked: Asked) -> Response:
    """Return what the class made of its heater."""
    hall = asked.house.hall
    if not hall.words:
        return asked.go("/class/start")
    with hall.open() as room:
        told, factor, shown = summary_of(room), view.common(room, 0)["factor"], bool(room.answers)
    return asked.show("class_summary", told=told, factor=factor, shown=shown)


def table(asked: Asked) -> Response:
    """Return one row a learner as a CSV file; names that a spreadsheet would run are harmless in it."""
    hall = asked.house.hall
    if not hall.words:
        return asked.go("/class/start")
    with hall.open() as room:
        told = summary_of(room)
    text = csv_of_rows(told.columns, ([row[key] for key in told.columns] for row in told.rows))
    headers = {"content-disposition": 'attachment; filename="class.csv"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)
