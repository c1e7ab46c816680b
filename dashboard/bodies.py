"""Pages as they were drawn, kept until the data change: most visits find one ready."""

from __future__ import annotations

from typing import Any

import orjson
from plotly.io.json import to_json_plotly

from dashboard.pages import Door, Page, View
from dashboard.rights import Person
from dashboard.slots import Slots

KEPT = 64


class Bodies:
    """Drawn pages by what they were drawn for: the address, the person, the data's version.

    Only pages that say so (KEPT in their module) are kept: those that show nothing but what the
    door answers for the address. A door that cannot tell its version has every page drawn anew.
    """

    def __init__(self) -> None:
        self._drawn = Slots(KEPT)

    def body(self, page: Page, data: Door, view: View, person: Person) -> Any:
        """The page, drawn now or before; a kept one as the JSON that the browser gets.

        Writing a page of three hundred meters as JSON takes longer than all else that a visit
        costs, so that is kept too.
        """
        version = getattr(data, "version", None) if page.kept else None
        if version is None:
            return page.layout(data, view)
        asked = (tuple(view.params.items()), tuple(view.query.items()))
        key = (page.path, asked, person, tuple(version()))
        return self._drawn.get(key, lambda: _written(page.layout(data, view)))


def _written(drawn: Any) -> orjson.Fragment:
    return orjson.Fragment(to_json_plotly(drawn))
