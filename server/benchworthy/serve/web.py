"""The web process: `python -m benchworthy.serve.web`. Drains and ends on SIGTERM."""

import signal
import sys
import threading
from types import FrameType

from waitress.server import create_server

from benchworthy import wiring
from benchworthy.errors import BenchworthyError
from benchworthy.keeping import daily
from benchworthy.serve import catching_up, draining
from benchworthy.serve.lifeline import Lifeline


def main() -> int:
    """Serve HTTP until SIGTERM or SIGINT."""
    line = Lifeline(sys.argv[1:])
    try:
        house, app = wiring.build_web(wiring.from_environment())
    except BenchworthyError as fault:
        print(f"benchworthy web: {fault}", file=sys.stderr)
        return 2
    app.extensions["benchworthy-parts"] = line.parts
    host, port = house.settings.http
    try:
        server = create_server(app, host=host, port=port, threads=8, ident="benchworthy")
    except OSError as fault:
        print(f"benchworthy web: {host}:{port} cannot be used ({fault}). Set BENCHWORTHY_HTTP to another port.", file=sys.stderr)
        return 2
    told = threading.Event()

    def leave(_: int, __: FrameType | None) -> None:
        told.set()
        draining.wake(server)

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    line.up()
    catching_up.begin(house.services)
    with daily.kept(house.services, house.database.engine, house.settings.data):
        draining.serve(server, told.is_set)
    return 0


if __name__ == "__main__":
    sys.exit(main())
