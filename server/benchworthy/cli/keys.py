"""`benchworthy key`: list, rotate, withdraw."""

import argparse
import json

from benchworthy import house_actions, wiring
from benchworthy.cli import holder
from benchworthy.cli.service import say
from benchworthy.errors import KeyInUse, RequestInvalid, UnknownKey
from benchworthy.keys import secret
from benchworthy.keys.signer import SiteSigner
from benchworthy.settings import Settings
from benchworthy.storage.copying import path_of


def arguments(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True)
    listing = acts.add_parser("list", help="the keys by thumbprint: the one that signs, then those before it")
    rotate = acts.add_parser("rotate", help="make a new key; what the one before signed stays good")
    withdraw = acts.add_parser("withdraw", help="a former key may be in other hands: what it signed lapses (LAPSE-WITHDRAWN)")
    withdraw.add_argument("thumbprint", help="as `key list` names it")
    withdraw.add_argument("--reason", required=True, help="3 to 500 characters; only its SHA-256 stands in the ledger")
    for writing in (rotate, withdraw):
        holder.argument(writing, required=True)
    for one in (listing, rotate, withdraw):
        one.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(options: argparse.Namespace) -> int:
    """Works on the service's own machine, with its settings. A running service takes a change up at its next signature."""
    settings = wiring.from_environment()
    path_of(settings.database)  # no database is made here
    if options.act == "list":
        return _list(options, settings)
    return _rotate(options, settings) if options.act == "rotate" else _withdraw(options, settings)


def _list(options: argparse.Namespace, settings: Settings) -> int:
    signer = SiteSigner.load(settings.data / wiring.SIGNING_FILE)
    if options.json:
        print(json.dumps({"signs": signer.thumbprint, "former": list(signer.former)}, indent=1))
        return 0
    print(f"{signer.thumbprint}  signs")
    for thumbprint in signer.former:
        print(f"{thumbprint}  former; what it signed is good")
    return 0


def _rotate(options: argparse.Namespace, settings: Settings) -> int:
    by, path = holder.code(options), settings.data / wiring.SIGNING_FILE
    secret.load_signing_key(path)  # where there is none, none is made
    house = wiring.build(settings, signing=True)
    old, new = house_actions.rotate_key(house.services, lambda: secret.renew_signing_key(path), by)
    house.database.engine.dispose()
    print(json.dumps({"old": old, "new": new}, indent=1) if options.json else new)
    say(f"{new} signs from now on. {old} signs no more, and what it signed is good; its private half is deleted.")
    say("Copy signing*.jwk to where you keep the secrets, and fetch /.well-known/jwks.json anew where certificates are verified.")
    return 0


def _withdraw(options: argparse.Namespace, settings: Settings) -> int:
    by, path = holder.code(options), settings.data / wiring.SIGNING_FILE
    if not 3 <= len(options.reason) <= 500:
        raise RequestInvalid("--reason says in 3 to 500 characters why.")
    signer = SiteSigner.load(path)
    if options.thumbprint == signer.thumbprint:
        raise KeyInUse(f"{options.thumbprint} is the key that signs.")
    if options.thumbprint not in signer.former:
        raise UnknownKey(f"{options.thumbprint} is no former key of this site.")
    house = wiring.build(settings, signing=True)
    lapsed = house_actions.withdraw_key(house.services, options.thumbprint, options.reason, by)
    # Cut short here, the key is published still: the same command again finishes.
    secret.forget_former_key(path, options.thumbprint)
    house.database.engine.dispose()
    answer = {"withdrawn": options.thumbprint, "lapsed": list(lapsed)}
    print(json.dumps(answer, indent=1) if options.json else f"{len(lapsed)} certificates lapsed")
    say("Lists of heads that it signed prove nothing any more: leave them out of `benchworthy audit --against`.")
    return 0
