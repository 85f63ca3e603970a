"""`benchworthy bench`: what stands at the serial ports, installing the agent, and testing a board in a run."""

import argparse
from importlib import import_module

from benchworthy.cli import service

# Act to the module that does it and its line in the help.
ACTS = {
    "test": (
        "bench_test",
        "drive one board through a run; exit 0 in limits so far as the bench goes, 3 not judged yet, 1 otherwise",
    ),
    "ports": ("bench_ports", "say of each serial port what is at it; exit 0 when a board is, 1 when none is"),
    "find": ("bench_find", "have a board show where it is, with lamp and tone; exit 0 shown here, 3 asked over the service"),
    "install": ("bench_install", "put the agent and the board's own key on a board; exit 0 done, 1 done and foreign files left"),
    "tickets": ("bench_tickets", "fetch run tickets for an evening without the service; exit 0 there are some, 1 none is left"),
    "deliver": ("bench_deliver", "send what waits at the bench; exit 0 the service has all of it, 1 something still waits"),
    "key": ("bench_key", "make or show this bench's key and register it (coordinator)"),
}


def arguments(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True)
    for name, (module, told) in ACTS.items():
        one = acts.add_parser(name, help=told, description=told)
        import_module(f"benchworthy.cli.{module}").arguments(one)
        service.arguments(one)


def run(options: argparse.Namespace) -> int:
    """Each act says what its exit code means; 2 is a refusal with a reason, 130 an interruption, as everywhere."""
    module = import_module(f"benchworthy.cli.{ACTS[options.act][0]}")
    done: int = module.run(options)
    return done
