"""`benchworthy VERB ...`: messages to stderr, data to stdout, exit codes, no traceback for a user's mistake."""

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Protocol, cast

from benchworthy import __version__
from benchworthy.errors import BenchworthyError

REFUSED = 2


class Verb(Protocol):
    """What a verb's module offers."""

    def arguments(self, parser: argparse.ArgumentParser) -> None: ...
    def run(self, options: argparse.Namespace) -> int: ...


@dataclass(frozen=True, slots=True)
class Entry:
    """The module of a verb and its line in the help; modules are imported only when their verb is used."""

    module: str
    summary: str


VERBS: Mapping[str, Entry] = {
    "demo": Entry("demo", "run the main job on virtual boards, end to end"),
    "serve": Entry("serve", "start web and listener, and start them again when they die"),
    "token": Entry("token", "create an API token"),
    "enrol": Entry("enrol", "enrol a board by its serial number"),
    "bench": Entry("bench", "test the board at a serial port in a run"),
    "run": Entry("run", "show a run as it stands, or close it"),
    "certify": Entry("certify", "issue a certificate of fitness on a run"),
    "check-in": Entry("check_in", "settle a returned board on a check-in run"),
    "label": Entry("label", "print labels of boards as PDF, on sheets or for a label printer"),
    "rejudge": Entry("rejudge", "judge the evidence of certificates in force by the sheet in force, or by one not yet installed"),
    "key": Entry("keys", "list, renew or withdraw the keys that certificates are signed with"),
    "verify": Entry("verify", "check a certificate offline"),
    "backup": Entry("backup", "copy the whole record into one file, also while the service runs"),
    "restore": Entry("restore", "bring a backup back into an empty data directory"),
    "audit": Entry("audit", "check that nothing in the record was changed behind its back"),
    "broker-files": Entry("broker_files", "write the files of a mosquitto for every board on record"),
    "doctor": Entry("doctor", "prove by trial what the broker lets through and what it does not"),
    "design": Entry("design", "list and check sheets, compute what follows from a circuit"),
    "virtual": Entry("virtual", "give you a virtual board on a serial port of its own"),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 2 refused with a reason, others as the verb says."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    verb = _verb_of(words)
    parser = _parser(verb)
    options = parser.parse_args(words)
    if verb is None:
        parser.print_help(sys.stderr)
        return REFUSED
    try:
        return cast(Callable[[argparse.Namespace], int], options.call)(options)
    except BenchworthyError as fault:
        print(f"benchworthy {verb}: {fault} [{fault.code}]", file=sys.stderr)
        return REFUSED
    except EOFError:
        print(f"benchworthy {verb}: the input ended before every question was answered; start it in a terminal", file=sys.stderr)
        return REFUSED
    except KeyboardInterrupt:
        print(f"benchworthy {verb}: interrupted", file=sys.stderr)
        return 130


def _verb_of(words: Sequence[str]) -> str | None:
    return next((word for word in words if word in VERBS), None)


def _parser(verb: str | None) -> argparse.ArgumentParser:
    """Every verb is listed; only the one that is used gets its arguments."""
    parser = argparse.ArgumentParser("benchworthy", description="Is this board fit to lend, on what evidence, until when?")
    parser.add_argument("--version", action="version", version=f"benchworthy {__version__}")
    verbs = parser.add_subparsers(metavar="VERB", title="verbs")
    for name, entry in VERBS.items():
        one = verbs.add_parser(name, help=entry.summary, description=entry.summary)
        if name == verb:
            module = cast(Verb, import_module(f"benchworthy.cli.{entry.module}"))
            module.arguments(one)
            one.set_defaults(call=module.run)
    return parser


def entire_parser(verb: str) -> argparse.ArgumentParser:
    """The parser with one verb's arguments, for the reference."""
    return _parser(verb)


if __name__ == "__main__":
    sys.exit(main())
