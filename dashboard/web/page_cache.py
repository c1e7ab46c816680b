"""Pages as they were drawn, kept until what they show changes: most visits find one ready."""

from typing import Any

import numpy as np
import orjson
from dash.development.base_component import Component

from dashboard.navigation import Page, View
from dashboard.security import Guarded
from dashboard.service import Answers
from models.run import Person

KEPT = 512
_KNOWN: dict[type[Component], tuple[frozenset[str], tuple[str, ...]]] = {}  # properties of a kind
HOW = orjson.OPT_NON_STR_KEYS | orjson.OPT_SERIALIZE_NUMPY


class Bodies:
    """Drawn pages by what they were drawn for and from: the address, the person, the answers.

    Only pages that say what they are drawn from are kept.
    """

    def __init__(self) -> None:
        self._drawn = Answers(KEPT)

    def body(self, page: Page, data: Guarded, view: View, person: Person) -> Any:
        """Return the page, drawn now or before, as the JSON that the browser gets.

        Writing a page of three hundred meters as JSON takes longer than all else that a visit
        costs, so it is done without a second look at every value, and kept too.
        """
        if page.drawn_from is None:
            return _written(page.layout(data, view))
        asked = (tuple(view.params.items()), tuple(view.query.items()))
        drawn_from = page.drawn_from
        told = drawn_from(data, view)
        return self._drawn.get(
            (page.path, asked, person, told),
            lambda: _written(page.layout(data, view)),
            still=lambda: drawn_from(data, view) == told,
        )


def _written(drawn: Any) -> orjson.Fragment:
    return orjson.Fragment(orjson.dumps(drawn, default=_opened, option=HOW))


def _props(part: Component) -> dict[str, Any]:
    """Return what `part.to_plotly_json` does, without asking for every property there could be."""
    kind = type(part)
    if kind not in _KNOWN:
        _KNOWN[kind] = frozenset(part._prop_names), tuple(part._valid_wildcard_attributes)
    names, free = _KNOWN[kind]
    props = {k: v for k, v in vars(part).items() if k in names or k.startswith(free)}
    return {"props": props, "type": part._type, "namespace": part._namespace}


def _opened(part: Any) -> Any:
    if isinstance(part, Component):
        return _props(part)
    if hasattr(part, "to_plotly_json"):
        return part.to_plotly_json()
    if isinstance(part, np.generic | np.ndarray):  # of a kind that the writer does not know
        return part.tolist()
    raise TypeError(f"a {type(part).__name__} has no place in a page")
