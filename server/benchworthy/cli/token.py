"""`benchworthy token create`: the first one straight into the database, later ones over HTTP."""

import argparse

from benchworthy import house_actions, wiring
from benchworthy.acts.enrolling import ROLES, SCOPES
from benchworthy.cli import service
from benchworthy.errors import FirstTokenExists, RequestInvalid
from benchworthy.keys.access import fingerprint, new_secret


def arguments(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True)
    create = acts.add_parser("create", help="create a token and print its secret, once")
    create.add_argument("holder", help="opaque code of the person, such as K7; never a name")
    create.add_argument("--role", choices=ROLES, default="tester")
    create.add_argument("--scope", choices=SCOPES, default="all", help="read: changes nothing; reports: only delivers evidence")
    create.add_argument("--days", type=int, help="days until it ends")
    create.add_argument("--first", action="store_true", help="make the first coordinator on the service's own machine")
    service.arguments(create)


def run(options: argparse.Namespace) -> int:
    """Print the secret, once."""
    if not options.first:
        body = {
            "role": options.role,
            "holder": options.holder,
            "scope": options.scope,
            **({"days": options.days} if options.days else {}),
        }
        answer = service.connect(options).post("/api/v1/tokens", body)
        service.show(options, answer, answer["secret"])
        return 0
    if options.scope != "all":
        raise RequestInvalid("The first token makes all others; leave --scope out.")
    core = wiring.build(wiring.from_environment(), signing=True).services
    with core.storage.reading() as work:
        if work.registry.any_access():
            raise FirstTokenExists("There is a token already.")
    secret = new_secret(core.random)
    house_actions.register_token(core, fingerprint(secret), "coordinator", options.holder, options.days, options.holder)
    service.show(options, {"secret": secret, "role": "coordinator", "holder": options.holder}, secret)
    return 0
