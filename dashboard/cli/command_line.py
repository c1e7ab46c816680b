"""The `slopewatch` command.

Results go to standard output, progress and messages to standard error. Everything heavy is
imported inside the command that needs it, or on first use of a room's name.
"""

import argparse
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from threading import Event
from typing import Any

from dashboard import service
from dashboard.cli import (
    accounts,
    decisions,
    fleet,
    matching,
    reports,
    safety,
    set_aside,
    store_care,
    telling,
)
from dashboard.cli.arguments import (
    DONE,
    DONE_BUT,
    NOTHING_DONE,
    Handler,
    Parser,
    UsageError,
    Words,
    say,
    store_of,
)
from dashboard.service import calculate_with_one_thread
from ingest.schema import UserError, spelled
from models import run


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code and never shows a traceback."""
    calculate_with_one_thread()
    args = argparse.Namespace()
    try:
        args = _parser().parse_args(argv)
        handler: Handler = args.handler
        code = _run(handler, args)
        return DONE_BUT if code == DONE and getattr(args, "provisional", False) else code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except KeyboardInterrupt:
        return _refuse("stopped; what was already in the store is untouched")
    except (UsageError, UserError) as problem:
        return _refuse(str(problem))
    except Exception as problem:
        return _unexpected(problem, args)


def _run(handler: Handler, args: argparse.Namespace) -> int:
    """Run a command, with the workers of the cluster that it names."""
    if not getattr(args, "cluster", None):
        return handler(args)
    with service.helped_by(args.cluster) as args.workers:
        return handler(args)


def _refuse(message: str) -> int:
    say(f"slopewatch: {message}")
    return NOTHING_DONE


def _unexpected(problem: Exception, args: argparse.Namespace) -> int:
    if os.environ.get("SLOPEWATCH_DEBUG"):
        raise problem
    given = [*getattr(args, "paths", ()), *vars(args).values()]
    files = ", ".join(spelled(path) for path in given if isinstance(path, Path))
    of = f"set {files} aside and report it" if files else "report it"
    return _refuse(
        f"the program fails here by its own fault ({type(problem).__name__}: {problem}). Nothing "
        f"was lost; {of} with this line, and what SLOPEWATCH_DEBUG=1 shows when you run it again."
    )


def _parser() -> argparse.ArgumentParser:
    parser = Parser(
        prog="slopewatch",
        description="How far off every power meter of a team is, how sure that is, and who is due.",
    )
    words = Words(parser, "command", "COMMAND")

    sub = words.add("demo", _demo, "build the demo fleet if there is none, and serve it", "store")
    sub.add_argument("--port", type=int, default=8550)
    sub.add_argument("--build-only", action="store_true", help="build the store, serve nothing")

    fleet.add(words)
    matching.add(words)
    decisions.add(words)
    reports.add(words)
    set_aside.add(words)
    store_care.add(words)
    telling.add(words)
    accounts.add(words)
    safety.add(words)

    text = "take in what appears in folders, until it is stopped"
    sub = words.add("watch", _watch, text, "store")
    sub.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")

    sub = words.add("serve", _serve, "the dashboard; for others once accounts exist", "store")
    sub.add_argument(
        "--watch", action="append", default=[], type=Path, metavar="FOLDER", help="as watch does"
    )
    sub.add_argument("--host", default="127.0.0.1")
    sub.add_argument("--port", type=int, default=8550)
    sub.add_argument(
        "--name", action="append", default=[], help="a further name to answer to, as in a browser"
    )
    sub.add_argument("--tls-cert", type=Path, metavar="FILE", help="encrypt with this certificate")
    sub.add_argument("--tls-key", type=Path, metavar="FILE", help="and its key")
    sub.add_argument("--backup-to", type=Path, metavar="FOLDER", help="a backup there every day")
    sub.add_argument("--keep", type=int, default=14, metavar="N", help="leave the newest N; 14")
    sub.add_argument(
        "--behind-proxy",
        metavar="ADDRESS",
        help="a proxy that brings https and says so (X-Forwarded-Proto, X-Forwarded-For)",
    )
    return parser


def _demo(args: argparse.Namespace) -> int:
    store = args.store or Path(os.environ.get("SLOPEWATCH_STORE") or "demo.duckdb")
    run.build_demo(run.Fleet.at(store, say=say))
    if args.build_only:
        return DONE
    return _run_server(store, "127.0.0.1", args.port)


def _watch(args: argparse.Namespace) -> int:
    store = store_of(args)

    def ask(question: Any, *about: Any) -> Any:
        return question(run.Fleet.at(store), *about)

    watch, stopped = service.Watch(args.folders, ask, say), Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopped.set())
    watch.open()
    watch.run(stopped)
    return DONE


def _serve(args: argparse.Namespace) -> int:
    if (args.tls_cert is None) is not (args.tls_key is None):
        raise UsageError("found one of --tls-cert and --tls-key, expected both")
    if args.keep < 1:
        raise UsageError(f"found --keep {args.keep}, expected a number from 1 on")
    return _run_server(
        store_of(args),
        args.host,
        args.port,
        names=args.name,
        behind=args.behind_proxy,
        tls=(args.tls_cert, args.tls_key) if args.tls_cert else None,
        backups=(args.backup_to, args.keep) if args.backup_to else None,
        watched=args.watch,
    )


def _run_server(store: Path, host: str, port: int, **how: Any) -> int:
    from dashboard import web

    try:
        web.serve(store, host=host, port=port, say=say, **how)
    except OSError as problem:
        raise UsageError(
            f"cannot listen on {host}:{port}: {problem.strerror}. Try --port"
        ) from None
    return DONE
