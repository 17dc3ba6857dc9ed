"""Schema of the logbook by version; a new file runs every step, an older one the steps it lacks."""

from __future__ import annotations

APPLICATION_ID = 0x434D4253  # "CMBS": tells our file from any other SQLite file

_CLOSED = "SELECT closed_at FROM visit WHERE visit_pk = {row}.visit_pk"
_SAY = "SELECT RAISE(ABORT, 'closed record')"

# Step 1: visits, their entries, and the triggers that keep a closed record as it is, REPLACE included.
_FIRST = (
    """CREATE TABLE visit (
        visit_pk INTEGER PRIMARY KEY,
        visit_id TEXT NOT NULL CHECK (length(visit_id) BETWEEN 1 AND 200),
        revision INTEGER NOT NULL CHECK (revision >= 1),
        heater_id TEXT,
        opened_at TEXT NOT NULL,
        closed_at TEXT,
        reason TEXT,
        head TEXT NOT NULL CHECK (json_valid(head)),
        UNIQUE (visit_id, revision))""",
    """CREATE TABLE entry (
        entry_pk INTEGER PRIMARY KEY,
        visit_pk INTEGER NOT NULL REFERENCES visit (visit_pk),
        kind TEXT NOT NULL CHECK (kind IN
            ('reading', 'check', 'adjustment', 'not_checked', 'note', 'event', 'limit')),
        entry_key TEXT NOT NULL,
        entered_at TEXT NOT NULL,
        body TEXT NOT NULL CHECK (json_valid(body)),
        UNIQUE (visit_pk, kind, entry_key))""",
    f"CREATE TRIGGER visit_update BEFORE UPDATE ON visit WHEN OLD.closed_at IS NOT NULL BEGIN {_SAY}; END",
    f"CREATE TRIGGER visit_delete BEFORE DELETE ON visit WHEN OLD.closed_at IS NOT NULL BEGIN {_SAY}; END",
    f"""CREATE TRIGGER visit_replace BEFORE INSERT ON visit WHEN EXISTS (
        SELECT 1 FROM visit WHERE closed_at IS NOT NULL AND (visit_pk = NEW.visit_pk
        OR (visit_id = NEW.visit_id AND revision = NEW.revision))) BEGIN {_SAY}; END""",
    """CREATE TRIGGER visit_order BEFORE INSERT ON visit WHEN NEW.revision > 1 AND NOT EXISTS (
        SELECT 1 FROM visit WHERE visit_id = NEW.visit_id AND revision = NEW.revision - 1 AND closed_at IS NOT NULL)
        BEGIN SELECT RAISE(ABORT, 'revision before is open'); END""",
    f"""CREATE TRIGGER entry_insert BEFORE INSERT ON entry WHEN ({_CLOSED.format(row="NEW")}) IS NOT NULL
        OR EXISTS (SELECT 1 FROM entry JOIN visit USING (visit_pk)
        WHERE entry_pk = NEW.entry_pk AND closed_at IS NOT NULL) BEGIN {_SAY}; END""",
    f"""CREATE TRIGGER entry_update BEFORE UPDATE ON entry WHEN ({_CLOSED.format(row="OLD")}) IS NOT NULL
        OR ({_CLOSED.format(row="NEW")}) IS NOT NULL BEGIN {_SAY}; END""",
    f"""CREATE TRIGGER entry_delete BEFORE DELETE ON entry WHEN ({_CLOSED.format(row="OLD")}) IS NOT NULL
        BEGIN {_SAY}; END""",
)

# Step 2: what was missing at closing, and a seal over the closed record.
_SECOND = (
    "ALTER TABLE visit ADD COLUMN incomplete TEXT",
    "ALTER TABLE visit ADD COLUMN seal TEXT",
    "CREATE INDEX visit_heater ON visit (heater_id)",
)

_NEVER = "SELECT RAISE(ABORT, 'closed record')"

# Step 3: entries that are only ever added, chained; what was sealed before stays as it is, with its seal.
_THIRD = (
    "ALTER TABLE visit RENAME TO sealed_visit",
    "ALTER TABLE entry RENAME TO sealed_entry",
    "CREATE TABLE book (origin TEXT NOT NULL)",
    "INSERT INTO book VALUES (lower(hex(randomblob(8))))",
    """CREATE TABLE entry (
        entry_pk INTEGER PRIMARY KEY,
        origin TEXT NOT NULL,
        visit_id TEXT NOT NULL CHECK (length(visit_id) BETWEEN 1 AND 200),
        number INTEGER NOT NULL CHECK (number >= 1),
        kind TEXT NOT NULL,
        entry_key TEXT NOT NULL,
        at TEXT NOT NULL,
        who TEXT,
        corrects INTEGER,
        body TEXT NOT NULL CHECK (json_valid(body)),
        hash TEXT NOT NULL,
        UNIQUE (visit_id, origin, number))""",
    """CREATE INDEX entry_turns ON entry (visit_id, entry_pk, kind)
        WHERE kind IN ('opened', 'closed', 'reopened')""",
    f"CREATE TRIGGER chain_update BEFORE UPDATE ON entry BEGIN {_NEVER}; END",
    f"CREATE TRIGGER chain_delete BEFORE DELETE ON entry BEGIN {_NEVER}; END",
    f"""CREATE TRIGGER chain_replace BEFORE INSERT ON entry WHEN EXISTS (SELECT 1 FROM entry
        WHERE entry_pk = NEW.entry_pk OR (visit_id, origin, number) = (NEW.visit_id, NEW.origin, NEW.number))
        BEGIN {_NEVER}; END""",
)

# Step 4: an entry names those before it by their hashes, so that branches of several books stand side by side and are
# joined; a request that is sent again; a key; one row a visit, kept by the transaction that writes its entries.
_FOURTH = (
    """CREATE TABLE linked (
        entry_pk INTEGER PRIMARY KEY,
        origin TEXT NOT NULL,
        visit_id TEXT NOT NULL CHECK (length(visit_id) BETWEEN 1 AND 200),
        number INTEGER NOT NULL CHECK (number >= 1),
        kind TEXT NOT NULL,
        entry_key TEXT NOT NULL,
        at TEXT NOT NULL,
        who TEXT,
        corrects INTEGER,
        body TEXT NOT NULL CHECK (json_valid(body)),
        visit_key TEXT,
        request TEXT,
        part INTEGER,
        after TEXT NOT NULL,
        hash TEXT NOT NULL UNIQUE,
        mac TEXT)""",
    """INSERT INTO linked SELECT entry_pk, origin, visit_id, number, kind, entry_key, at, who, corrects, body,
        NULL, NULL, NULL, COALESCE((SELECT hash FROM entry AS before
        WHERE (before.visit_id, before.origin, before.number) = (entry.visit_id, entry.origin, entry.number - 1)), ''),
        hash, NULL FROM entry ORDER BY entry_pk""",
    "DROP TABLE entry",
    "ALTER TABLE linked RENAME TO entry",
    "CREATE INDEX entry_visit ON entry (COALESCE(visit_key, visit_id), number)",
    "CREATE UNIQUE INDEX entry_request ON entry (request, part, origin) WHERE request IS NOT NULL",
    f"CREATE TRIGGER chain_update BEFORE UPDATE ON entry BEGIN {_NEVER}; END",
    f"CREATE TRIGGER chain_delete BEFORE DELETE ON entry BEGIN {_NEVER}; END",
    f"""CREATE TRIGGER chain_replace BEFORE INSERT ON entry WHEN EXISTS (SELECT 1 FROM entry
        WHERE entry_pk = NEW.entry_pk OR hash = NEW.hash) BEGIN {_NEVER}; END""",
    f"""CREATE TRIGGER chain_request BEFORE INSERT ON entry WHEN NEW.request IS NOT NULL AND EXISTS (SELECT 1 FROM entry
        WHERE (request, part, origin) = (NEW.request, NEW.part, NEW.origin)) BEGIN {_NEVER}; END""",
    "ALTER TABLE book ADD COLUMN key_id TEXT",
    "ALTER TABLE book ADD COLUMN key_path TEXT",
    """CREATE TABLE summary (
        summary_pk INTEGER PRIMARY KEY,
        visit_key TEXT NOT NULL UNIQUE,
        visit_id TEXT NOT NULL,
        folded TEXT NOT NULL,
        tag TEXT NOT NULL,
        heater_id TEXT,
        heater_folded TEXT,
        opened_at TEXT NOT NULL,
        opened_s REAL NOT NULL,
        is_open INTEGER NOT NULL,
        revision INTEGER NOT NULL,
        entries INTEGER NOT NULL,
        readings INTEGER NOT NULL)""",
    "CREATE INDEX summary_name ON summary (folded)",
    "CREATE INDEX summary_turn ON summary (opened_s, summary_pk)",
    "CREATE INDEX summary_heater ON summary (heater_folded, opened_s)",
    "CREATE INDEX summary_open ON summary (opened_s) WHERE is_open",
)

STEPS = (_FIRST, _SECOND, _THIRD, _FOURTH)
CHAINED = 3  # the first version whose entries are chained
VERSION = len(STEPS)
GUARDS = ("chain_update", "chain_delete", "chain_replace", "chain_request")
