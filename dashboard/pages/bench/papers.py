"""A session's calibration record and label, sent as PDF."""

from __future__ import annotations

from collections.abc import Callable

from flask import Response, request

from dashboard import pdf
from dashboard.navigation import Document
from dashboard.pages.bench.answers import Route, View
from dashboard.security import Guarded
from ingest.schema import UserError
from models import run


def papers(data: Guarded) -> list[Route]:
    """Return the routes of both papers; ?session= names the session."""
    return [
        (f"/bench/{name}.pdf", f"bench-{name}-pdf", _view(data, name, write), ["GET"])
        for name, write in (("record", pdf.record_pdf), ("label", pdf.label_pdf))
    ]


def _view(data: Guarded, name: str, write: Callable[[Document], bytes]) -> View:
    def view() -> Response:
        session_id = request.args.get("session", "")
        try:
            made = write(data.ask(run.bench_record, session_id))
        except UserError as problem:
            return Response(f"{problem}\n", status=404, mimetype="text/plain")
        named = f'inline; filename="{name}-{_plain(session_id)}.pdf"'
        return Response(made, mimetype="application/pdf", headers={"Content-Disposition": named})

    return view


def _plain(session_id: str) -> str:
    """Return an id as part of a file's name: letters and digits of ASCII, points and dashes."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-.") else "_" for c in session_id)
