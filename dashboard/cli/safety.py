"""Commands for who runs the server: a certificate of the team's own, and what it is made of."""

import argparse
import re
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import TypedDict

from dashboard.cli.arguments import DONE, Words, say, show
from models import run


def add(words: Words) -> None:
    """Add these commands to the command line."""
    sub = words.add("certificate", _certificate, "a certificate of the team's own, to encrypt with")
    sub.add_argument("names", nargs="+", metavar="NAME", help="as a browser is given the server")
    sub.add_argument("--out", type=Path, default=Path("certificate"), metavar="FOLDER")

    text = "a bill of materials: every library that runs here, its version and its licence"
    words.add("materials", _materials, text, "format")


EXTRAS = {("dash", "compress")}


class Material(TypedDict):
    """A library that runs here. purl: its name in the scheme of package URLs"""

    name: str
    version: str
    licence: str
    purl: str
    needed_by: list[str]


def _materials(args: argparse.Namespace) -> int:
    rows = materials("slopewatch")
    shown = [row | {"needed_by": ", ".join(row["needed_by"])} for row in rows]
    show(args, rows, shown, ("name", "version", "licence", "needed_by"))
    return DONE


def materials(top: str) -> list[Material]:
    """Return a distribution and all that it needs and what these need, by name.

    What is not here is needed on another system, or not at all.
    """
    found: dict[str, Distribution] = {}
    needed_by: dict[str, set[str]] = {}
    ahead = [plain(top)]
    while ahead:
        name = ahead.pop()
        if name in found:
            continue
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue
        for other in _needs(found[name]):
            needed_by.setdefault(other, set()).add(name)
            ahead.append(other)
    return [
        Material(
            name=name,
            version=one.version,
            licence=_licence(one),
            purl=f"pkg:pypi/{name}@{one.version}",
            needed_by=sorted(needed_by.get(name, ())),
        )
        for name, one in sorted(found.items())
    ]


def plain(name: str) -> str:
    """Return a distribution's name in its one spelling."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _needs(one: Distribution) -> Iterator[str]:
    """Yield what a distribution needs; of its extras those that the server is made with."""
    for line in one.requires or ():
        name = re.match(r"[\w.-]+", line)
        extra = re.search(r"extra\s*==\s*['\"]([^'\"]+)", line)
        if name and (extra is None or (plain(str(one.name)), extra[1]) in EXTRAS):
            yield plain(name[0])


def _licence(one: Distribution) -> str:
    """Return a licence as it is told: as an expression, in a class, else in the first line."""
    told = one.metadata.get_all("License-Expression") or []
    classes = [
        line.rsplit("::", 1)[1].strip()
        for line in one.metadata.get_all("Classifier") or []
        if line.startswith("License ::")
    ]
    text = (one.metadata.get_all("License") or [""])[0].strip().split("\n")[0][:60]
    return ", ".join(told or classes) or text or "not told"


def _certificate(args: argparse.Namespace) -> int:
    root, cert, key, tablets = run.make_certificate(args.names, args.out)
    for path in (root, cert, key, tablets):
        print(path)
    names = " ".join(f"--name {name}" for name in args.names)
    say(f"serve with it: slopewatch serve --host 0.0.0.0 --tls-cert {cert} --tls-key {key} {names}")
    say(f"{tablets} says how tablets come to trust {root}, which each of them needs once")
    return DONE
