"""Commands for who runs the server: a certificate of the team's own, and what it is made of."""

import argparse
from pathlib import Path

from dashboard.cli.arguments import DONE, Words, say
from models import run


def add(words: Words) -> None:
    """Add these commands to the command line."""
    sub = words.add("certificate", _certificate, "a certificate of the team's own, to encrypt with")
    sub.add_argument("names", nargs="+", metavar="NAME", help="as a browser is given the server")
    sub.add_argument("--out", type=Path, default=Path("certificate"), metavar="FOLDER")


def _certificate(args: argparse.Namespace) -> int:
    root, cert, key, tablets = run.make_certificate(args.names, args.out)
    for path in (root, cert, key, tablets):
        print(path)
    names = " ".join(f"--name {name}" for name in args.names)
    say(f"serve with it: slopewatch serve --host 0.0.0.0 --tls-cert {cert} --tls-key {key} {names}")
    say(f"{tablets} says how tablets come to trust {root}, which each of them needs once")
    return DONE
