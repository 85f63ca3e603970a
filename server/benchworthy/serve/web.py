"""The web process: `python -m benchworthy.serve.web`. Drains and ends on SIGTERM."""

import signal
import sys
from types import FrameType

from waitress.server import create_server

from benchworthy import wiring
from benchworthy.errors import BenchworthyError


def main() -> int:
    """Serve HTTP until SIGTERM or SIGINT."""
    try:
        house, app = wiring.build_web(wiring.from_environment())
    except BenchworthyError as fault:
        print(f"benchworthy web: {fault}", file=sys.stderr)
        return 2
    host, port = house.settings.http
    try:
        server = create_server(app, host=host, port=port, threads=8, ident="benchworthy")
    except OSError as fault:
        print(f"benchworthy web: {host}:{port} cannot be used ({fault}). Set BENCHWORTHY_HTTP to another port.", file=sys.stderr)
        return 2

    def leave(_: int, __: FrameType | None) -> None:
        raise SystemExit(0)

    signal.signal(signal.SIGTERM, leave)
    try:
        server.run()
    finally:
        server.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
