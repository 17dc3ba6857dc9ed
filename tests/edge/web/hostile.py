"""Thirteen texts that want to be more than text, and what holds of every page whatever was typed."""

from __future__ import annotations

import re

import html5lib

from tests.edge.test_html_injection import ATTACKS, MARK

HOSTILE = [
    *ATTACKS,
    f"\u202e\u2066{MARK}\x1b[2J\x00\x07",
    f"'; DROP TABLE entry; -- {MARK}",
    f"../../{MARK}/%2e%2e/..\\..\\etc/passwd",
    f'=HYPERLINK("https://example.org/{MARK}")\r\nset-cookie: {MARK}=1',
]
LOCAL = re.compile(r"^(/[\w./?=&%#+:@~-]*|#[\w-]*)$")
NEVER = {"iframe", "object", "embed", "base", "applet", "frame", "style", "template", "math", "img"}


def check_page(text: str) -> None:
    """Fail when a page holds anything active or foreign, or characters that turn or hide text."""
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f]", text.replace("\r", ""))
    for node in html5lib.parse(text, namespaceHTMLElements=False).iter():
        if not isinstance(node.tag, str):
            assert MARK not in (node.text or ""), "data ended up in a comment"
            continue
        tag = node.tag.rpartition("}")[2]
        assert tag not in NEVER, tag
        if tag == "script":
            assert node.attrib.get("src", "").partition("?")[0] in ("/static/page.js", "/static/offline.js")
            assert not "".join(node.itertext()).strip()
        for name, value in node.attrib.items():
            assert not name.startswith("on"), f"{name} on <{tag}>"
            assert name not in ("style", "srcdoc", "formaction", "http-equiv"), name
            assert MARK not in name
            if name in ("src", "href", "action", "srcset", "background", "poster", "data"):
                assert LOCAL.match(value), f"{name}={value[:60]}"
