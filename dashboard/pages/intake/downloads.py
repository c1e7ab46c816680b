"""The addresses of the files that the intake page hands out."""

import mimetypes
from urllib.parse import quote

from dash import Dash
from flask import Response

from dashboard.security import Guarded
from models import run


def register_downloads(app: Dash, data: Guarded) -> None:
    """Register the addresses that hand out files; each asks the guarded service, like a page."""
    asks = {
        "templates": lambda: data.ask(run.template_file),
        "set-aside": lambda: data.ask(run.set_aside_file),
        "store": lambda: data.ask(run.store_file),
    }

    def one(what: str) -> Response:
        return handed_out(*asks[what]()) if what in asks else nothing_there()

    def in_form(what: str, form: str) -> Response:
        if what == "tables":
            return handed_out(*data.ask(run.tables_file, form))
        return (
            handed_out(*data.ask(run.device_tables_file, form))
            if what == "devices"
            else nothing_there()
        )

    def rider(rider_id: str) -> Response:
        return handed_out(*data.ask(run.rider_file, rider_id))

    app.server.add_url_rule("/download/<what>", "download", one)
    app.server.add_url_rule("/download/<what>/<form>", "download_form", in_form)
    app.server.add_url_rule("/download/rider/<path:rider_id>", "download_rider", rider)


def handed_out(name: str, content: bytes) -> Response:
    """Return a file for the browser to save."""
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    disposition = f"attachment; filename*=UTF-8''{quote(name)}"
    return Response(content, mimetype=kind, headers={"Content-Disposition": disposition})


def nothing_there() -> Response:
    """Return that there is no such file."""
    return Response("There is nothing at this address.\n", 404, mimetype="text/plain")
