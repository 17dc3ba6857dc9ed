"""The description of the ways for other programs (OpenAPI 3.1), made from the vocabulary."""

from __future__ import annotations

import math
from typing import Any

from combust import __version__
from combust.data.fields import Field
from combust.data.vocabulary import inputs
from combust.domain.reading import REPEATED
from combust.domain.safety import STATES

ABOUT = (
    "The same objects as on the command line, the state of safety first. A browser page of this server sends its "
    "cookie and the header x-combust-token, another program the pairing code as a bearer token."
)
KEY = "8 to 64 letters and digits; the same request sent again under the same key adds nothing."
CODES = {
    "200": "The JSON object of the command line, the safety state first.",
    "304": "Nothing new since the answer with this tag (if-none-match).",
    "400": "The body cannot be read.",
    "401": "No seat: give the pairing code as a bearer token.",
    "403": "From elsewhere, without its token, or beyond the role.",
    "408": "The body came too slowly.",
    "413": "More bytes than may be.",
    "415": "The body is not JSON.",
    "503": "The logbook is busy or its disk is full: send it again.",
    "422": "Not accepted: every fault at once, the stops of what is acceptable first.",
    "429": "Too many wrong codes; wait a minute.",
}


def description() -> dict[str, Any]:
    """Return the description as a JSON object."""
    reading = _post("Judge one reading, as combust reading --json does.", "Reading", "ReadingResult")
    entry = _post("Add a line to an open visit, as combust visit enter --json does.", "Line", "Standing", visit=True)
    stand = _answers("Where a visit stands, as combust visit stand --json tells it.", "Standing", visit=True)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "combust",
            "version": __version__,
            "description": ABOUT,
        },
        "paths": {
            "/api/reading": {"post": reading},
            "/api/visit/{visit_id}": {"get": stand},
            "/api/visit/{visit_id}/entries": {"post": entry},
        },
        "security": [{"code": []}, {"seat": []}],
        "components": {
            "securitySchemes": {
                "code": {"type": "http", "scheme": "bearer", "description": "The pairing code of a role."},
                "seat": {"type": "apiKey", "in": "cookie", "name": "combust_PORT"},
            },
            "schemas": {
                "Reading": _reading(),
                "Line": _line(),
                "ReadingResult": _judged("What combust reading --json prints."),
                "Standing": _judged("What combust visit stand --json prints."),
                "Refusal": _refusal(),
            },
        },
    }


def _post(what: str, taken: str, given: str, *, visit: bool = False) -> dict[str, Any]:
    body = {"required": True, "content": _json(taken)}
    return {**_answers(what, given, visit=visit, key=visit), "requestBody": body}


def _answers(what: str, given: str, *, visit: bool = False, key: bool = False) -> dict[str, Any]:
    names = [("visit_id", "path", True, "Which visit.")] if visit else []
    names += [("idempotency-key", "header", False, KEY)] if key else []
    told = {
        code: {"description": text, **({} if code == "304" else _content(given if code == "200" else "Refusal"))}
        for code, text in CODES.items()
        if code != "304" or not key
    }
    asked = [
        {"name": name, "in": place, "required": needed, "description": text, "schema": {"type": "string"}}
        for name, place, needed, text in names
    ]
    return {"summary": what, **({"parameters": asked} if asked else {}), "responses": told}


def _content(name: str) -> dict[str, Any]:
    return {"content": _json(name)}


def _json(name: str) -> dict[str, Any]:
    return {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}}


def _reading() -> dict[str, Any]:
    """Return the schema of a reading; keys in other units (``flue_temp_f``) are taken besides."""
    return {
        "type": "object",
        "description": "What was measured, key of the vocabulary -> value. Keys in other units (altitude_ft, "
        "flue_temp_f, co_dry_pct) are taken besides; a list is a repeated reading.",
        "properties": {key: _schema(record) for key, record in inputs().items()},
        "minProperties": 1,
    }


def _schema(record: Field) -> dict[str, Any]:
    """Return the schema of one key: its unit, its band or its words."""
    text = record.meaning + (f" [{record.unit}]" if record.unit else "")
    if record.choices:
        return {"type": "string", "enum": [*record.choices], "description": text}
    if record.kind != "number":
        return {"type": "string", "description": text}
    number: dict[str, Any] = {"type": "number"}
    number |= {"minimum": record.low} if math.isfinite(record.low) else {}
    number |= {"maximum": record.high} if math.isfinite(record.high) else {}
    if record.key in REPEATED:
        return {"oneOf": [number, {"type": "array", "items": number, "minItems": 1}], "description": text}
    return {**number, "description": text}


def _line() -> dict[str, Any]:
    """Return the schema of what is added to a visit."""
    one = {"type": ["number", "string"]}
    return {
        "type": "object",
        "description": "One of these: a line as it is typed, its words, or values by key.",
        "properties": {
            "line": {"type": "string", "examples": ["high o2 4.84 flue 689 F co 120"]},
            "words": {"type": "array", "items": {"type": "string"}},
            "values": {"type": "object", "additionalProperties": one, "examples": [{"o2_dry_pct": 4.84}]},
        },
        "minProperties": 1,
    }


def _judged(what: str) -> dict[str, Any]:
    safety = {
        "type": "object",
        "required": ["state", "text", "stops"],
        "properties": {
            "state": {"enum": [*STATES]},
            "text": {"type": "string"},
            "stops": {"type": "array", "items": {"type": "object"}},
        },
    }
    return {
        "type": "object",
        "description": what,
        "required": ["safety", "version"],
        "properties": {"safety": safety, "version": {"type": "string"}},
    }


def _refusal() -> dict[str, Any]:
    return {
        "type": "object",
        "required": ["error", "faults"],
        "properties": {
            "error": {"type": "string"},
            "faults": {"type": "array", "items": {"type": "object"}},
            "safety": {"type": "object"},
        },
    }
