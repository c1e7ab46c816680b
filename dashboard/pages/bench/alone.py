"""The bench page's frame for a device without a network: it holds nobody's data."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from flask import Response
from markupsafe import Markup

import dashboard.assets
from dashboard import theme
from dashboard.pages.bench.answers import Route

ASSETS = Path(dashboard.assets.__path__[0])
STYLES = ("base/base", "base/parts", "base/shell", "base/fields", "base/tables", "bench/bench")
SCRIPTS = (*("words", "numbers", "mistakes", "weighing", "draft", "day", "form", "page", "alone"),)
FRAME = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Bench, without a network · Slopewatch</title>
<style>{colours}</style>
{styles}
{scripts}
</head>
<body>
<div class="shell">
<header class="top"><span class="brand">Slopewatch</span>
<a id="bench-whole" href="/bench">Try the network again</a></header>
<p id="bench-alone" class="warn" role="status">No network. The bench works on with what was known
when this device last reached the server; what you save is kept here and sent by itself.</p>
<main id="page" class="bench"><h1 class="unseen">Bench</h1>
<div id="bench-screen"></div><div id="bench-paper"></div></main>
</div>
</body>
</html>
"""


def alone() -> list[Route]:
    """Return the route of the frame that a device keeps for when there is no network."""
    return [("/bench/alone", "bench-alone", _frame, ["GET"])]


def _frame() -> Response:
    return Response(_written(), mimetype="text/html")


@cache
def _written() -> str:
    glyphs = [(f"glyphs/{name}", '<link rel="prefetch" href="{}">') for name in _in("glyphs")]
    styles, scripts = (
        [*glyphs, *((f"{name}.css", '<link rel="stylesheet" href="{}">') for name in STYLES)],
        [(f"bench/{name}", '<script defer src="{}"></script>') for name in _in("bench", ".js")],
    )
    return FRAME.format(
        colours=theme.css_variables(),
        styles="\n".join(Markup(tag).format(_address(file)) for file, tag in styles),
        scripts="\n".join(Markup(tag).format(_address(file)) for file, tag in scripts),
    )


def _in(folder: str, ending: str = ".svg") -> list[str]:
    """Return a folder's files in the order in which the whole program loads them."""
    return sorted(path.name for path in (ASSETS / folder).glob(f"*{ending}"))


def _address(file: str) -> str:
    """Return an asset's address, another one for each version of the file."""
    return f"/assets/{file}?alone={(ASSETS / file).stat().st_mtime_ns:x}"
