"""`slopewatch account …`: who may sign in, and as what."""

import argparse
import getpass
import sys

from dashboard.cli.arguments import DONE, Words, fleet_of, say, show
from ingest.schema import UserError
from models import run
from models.run import COACH, EVERYONE, OWNER

ROLES = sorted(EVERYONE)


def add(words: Words) -> None:
    """Add `account` and what can be done with one."""
    actions = words.within("account", "who may sign in, and as what", metavar="ACTION")

    def action(name: str, text: str) -> argparse.ArgumentParser:
        one = actions.add(name, _account, text, "store", "format")
        one.add_argument("name", metavar="NAME")
        return one

    new = action("add", "add an account; its password is asked for, or read from standard input")
    new.add_argument("--role", choices=ROLES, required=True)
    _coach(new)
    role = action("role", "give an account another role; its sign-ins end")
    role.add_argument("role", choices=ROLES)
    _coach(role)
    action("password", "give an account another password; its sign-ins end")
    action("no-code", "ask for no code at an account's sign-ins any more; they end")
    action("disable", "let an account sign in no more; its sign-ins end at once")
    action("enable", "let a disabled account sign in again")
    actions.add("list", _account, "every account with its role", "store", "format")


def _coach(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--coach",
        metavar="COACH",
        help="whose riders a coach sees: as the riders table names the coach; else NAME",
    )


def _account(args: argparse.Namespace) -> int:
    fleet = fleet_of(args)
    if args.account == "add":
        run.add_account(fleet, args.name, asked_password(), role=args.role, coach=args.coach)
    elif args.account == "role":
        run.set_account_role(fleet, args.name, args.role, coach=args.coach)
    elif args.account == "password":
        run.set_account_password(fleet, args.name, asked_password())
    elif args.account == "no-code":
        run.ask_account_for_no_code(fleet, args.name)
    elif args.account in ("disable", "enable"):
        run.set_account_enabled(fleet, args.name, enabled=args.account == "enable")
    coach = str(getattr(args, "coach", None) or getattr(args, "name", ""))
    warning = run.warning_of_coach(fleet, coach) if getattr(args, "role", None) == COACH else ""
    if warning:
        say(f"note: {warning} (--coach)")
    columns = ("name", "role", "state", "coach")
    rows = [{name: row[name] for name in columns} for row in run.accounts(fleet)]
    owned = any(row["role"] == OWNER and row["state"] == "active" for row in rows)
    if args.account != "list" and not owned:
        say("note: nobody is an owner yet, so nobody sees every page and the changes")
    show(args, rows, rows, columns)
    return DONE


def asked_password() -> str:
    """Return the password: asked for twice on a terminal, else the first line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Password: ")
    if getpass.getpass("The same again: ") != first:
        raise UserError("the two passwords are not the same; nothing was changed")
    return first
