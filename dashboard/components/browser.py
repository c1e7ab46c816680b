"""What the browser is told about a component, and what it tells back."""

from typing import Any

from dash import ClientsideFunction, ctx

Attributes = dict[str, Any]  # of a component, whose other attributes are no strings


def aria(**attributes: str) -> Attributes:
    """Return what a screen reader is told, as attributes of any component: aria(label="…")."""
    return {f"aria-{name}": value for name, value in attributes.items()}


def facts_of(**facts: str) -> Attributes:
    """Return what a script reads off a component, as its attributes: facts_of(meter="A1")."""
    return {f"data-{name}": value for name, value in facts.items()}


def in_browser(app: Any, function: str, *dependencies: Any, at_start: bool = True) -> None:
    """Register a callback that runs as a named function of the assets, not on the server."""
    app.clientside_callback(
        ClientsideFunction("slopewatch", function),
        *dependencies,
        prevent_initial_call=not at_start,
    )


def clicked() -> Any:
    """Return the id of the button that was really pressed: a button newly drawn is no click."""
    pressed = bool(ctx.triggered) and bool(ctx.triggered[0]["value"])
    return ctx.triggered_id if pressed else None
