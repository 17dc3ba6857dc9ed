"""The long description of the built package: the README without what only stands beside it in the repository.

Pictures and links of the README are relative, so that they work in any copy of the repository and no host is named. In the
wheel they would lead nowhere: pictures are left out there, of a link its words stay.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

try:
    from hatchling.metadata.plugin.interface import MetadataHookInterface
except ImportError:  # only who builds the package has it
    MetadataHookInterface = object

PICTURE = re.compile(r"(?m)^\[?!\[[^\n]*\n")
RELATIVE = re.compile(r"\[([^\]\n]+)\]\((?![a-z]+:)[^)\n]*\)")
OF_PICTURES = "; a picture above leads to each"


def without_neighbours(text: str) -> str:
    """Return Markdown without pictures, and with the words alone of each link that is relative."""
    blocks = re.split(r"(?m)(^```.*?^```$)", text, flags=re.DOTALL)
    return "".join(
        block if block.startswith("```") else RELATIVE.sub(r"\1", PICTURE.sub("", block).replace(OF_PICTURES, ""))
        for block in blocks
    )


class LongDescription(MetadataHookInterface):
    """What hatchling asks for the field that ``pyproject.toml`` calls dynamic."""

    def update(self, metadata: dict[str, Any]) -> None:
        """Put the text in."""
        text = (Path(self.root) / "README.md").read_text("utf-8")
        metadata["readme"] = {"content-type": "text/markdown", "text": without_neighbours(text)}
