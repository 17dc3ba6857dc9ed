"""The QR code of the link, for a phone's camera: in the terminal and on a page."""

from __future__ import annotations

import io

import segno


def svg_of(link: str) -> str:
    """Return a QR code as SVG without any style, for a page."""
    return str(segno.make(link, micro=False).svg_inline(scale=6, border=4, light="white", dark="black"))


def text_of(link: str) -> str:
    """Return a QR code for a terminal."""
    out = io.StringIO()
    segno.make(link, micro=False).terminal(out, compact=True)
    return out.getvalue()
