"""`benchworthy bench deliver`: what was measured away from the service goes there."""

import argparse
import dataclasses

from benchworthy.bench.delivery import deliver
from benchworthy.cli import service
from benchworthy.errors import UnknownRun
from benchworthy.keys.bench_key import BenchKey


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--set-aside", metavar="RUN", help="give up a run that the service does not want; its files stay")
    service.key_argument(parser)
    service.folder_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Exit 0 when the service has everything, 1 when something was refused or is still measured. Start it again at any time."""
    box = service.box(options, BenchKey.load_or_create(options.key))
    if options.set_aside:
        with box.spool.alone():
            if not box.spool.set_aside(options.set_aside):
                raise UnknownRun(f"No run {options.set_aside} waits here.", run=options.set_aside)
        service.say(f"Run {options.set_aside} is set aside.")
        return 0
    told = deliver(box, service.connect(options), service.say)
    lines = [f"run {run}: {told.sent.get(run, 0)} sent now, all delivered" for run in told.done]
    lines += [f"run {run}: {told.sent.get(run, 0)} sent, {len(codes)} refused; waits" for run, codes in told.refused.items()]
    service.show(options, dataclasses.asdict(told), "\n".join(lines) or "nothing waits")
    return 1 if told.refused or told.going_on else 0
