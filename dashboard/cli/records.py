"""`slopewatch report record SESSION --out FILE.pdf`: a bench session's calibration record."""

import argparse
from pathlib import Path
from typing import Any

from dashboard.cli.arguments import DONE, fleet_of


def add_words(kinds: Any) -> None:
    """Add `record` to the reports."""
    text = "the calibration record of a bench session, or its label, as PDF"
    sub: argparse.ArgumentParser = kinds.add_parser("record", help=text, description=text)
    sub.set_defaults(handler=write_record)
    sub.add_argument("session", metavar="SESSION")
    sub.add_argument("--out", type=Path, required=True, metavar="FILE.pdf")
    sub.add_argument("--label", action="store_true", help="the label for the meter instead")
    sub.add_argument("--store", type=Path, metavar="FILE", help="the DuckDB store")


def write_record(args: argparse.Namespace) -> int:
    """Make the PDF, write it, say where."""
    from dashboard import pdf, service
    from models import run

    found = service.plain(run.bench_record(fleet_of(args), args.session))
    made = pdf.label_pdf(found) if args.label else pdf.record_pdf(found)
    print(run.write_document(args.out, made))
    return DONE
