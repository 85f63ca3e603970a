"""`benchworthy doctor`."""

import argparse
import json

from benchworthy import wiring
from benchworthy.cli.service import say
from benchworthy.errors import SettingsInvalid, UnknownSerial
from benchworthy.intake import broker_trial, label
from benchworthy.intake.broker_trial import Finding, Login, Place
from benchworthy.intake.topics import TRIAL
from benchworthy.serve import broker_users
from benchworthy.serve.choosing import default_broker
from benchworthy.settings import EMBEDDED


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Prove by trial, against the configured broker, what is let through and what is not."
    parser.epilog = "Needs the service's settings and data directory. Exit 0 when everything held, 1 when something did not."
    parser.add_argument("--board", metavar="SERIAL", help="try as this board; default an identity of doctor's own")
    parser.add_argument("--json", action="store_true", help="the findings as JSON on stdout")


def run(options: argparse.Namespace) -> int:
    """Exit 0 when everything held, else 1."""
    settings = default_broker()
    house = wiring.build(settings, signing=False)
    broker = wiring.broker_address(settings, wiring.site_secret(settings))
    if broker is None:
        raise SettingsInvalid("No broker is configured, so there is nothing to try: set BENCHWORTHY_MQTT.")
    listener = Login(broker.user or "", broker.password or "")
    place = Place(broker.host, broker.port, settings.site, listener, _board(options.board, house))
    mode = " (bench mode)" if settings.mqtt == EMBEDDED else ""
    say(f"The broker at {broker.host}:{broker.port}{mode}, as {place.board.user} and as the listener:")
    findings = []
    for finding in broker_trial.examine(place):
        findings.append(finding)
        if not options.json:
            print(_line(finding), flush=True)
    if options.json:
        print(json.dumps([{"name": f.name, "held": f.held, "means": f.means, "advice": f.advice} for f in findings]))
    return 0 if all(finding.held for finding in findings) else 1


def _board(serial: str | None, house: wiring.House) -> Login:
    """Raises UnknownSerial."""
    if serial is None:
        return Login(TRIAL, broker_users.trial_password(house.settings))
    with house.services.storage.reading() as work:
        board = work.registry.board(label.parse(serial))
    if board is None or board.site != house.settings.site:
        raise UnknownSerial(f"{serial} is not enrolled at this site.", serial=serial)
    return Login(board.serial, house.services.derive_broker_password(board.serial, board.epoch))


def _line(finding: Finding) -> str:
    word = "held    " if finding.held else "NOT HELD"
    return f"{word}  {finding.name}: {finding.means}." + (f" {finding.advice}" if finding.advice else "")
