"""What a callback was really given: the button that was pressed, the files that arrived."""

from __future__ import annotations

import base64
import binascii
from typing import Any

from dash import ctx


def decoded(contents: list[str], names: list[str]) -> list[tuple[str, bytes]]:
    """Uploaded files by name; a file that did not arrive whole is left out."""
    files = []
    for content, name in zip(contents, names, strict=False):
        try:
            files.append((name, base64.b64decode(content.partition(",")[2], validate=True)))
        except (binascii.Error, ValueError):
            continue
    return files


def clicked() -> Any:
    """The id of the button that was really pressed: new buttons on the page are no click."""
    pressed = bool(ctx.triggered) and bool(ctx.triggered[0]["value"])
    return ctx.triggered_id if pressed else None
