"""The listener process: `python -m benchworthy.serve.listener`. Disconnects and ends on SIGTERM."""

import logging
import signal
import sys
from types import FrameType

from benchworthy import wiring
from benchworthy.errors import BenchworthyError
from benchworthy.serve.lifeline import Lifeline


def main() -> int:
    """Consume reports until SIGTERM or SIGINT; non-zero when the broker or the lease is lost."""
    line = Lifeline(sys.argv[1:])
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
    try:
        house, listener = wiring.build_listener(wiring.from_environment())
    except BenchworthyError as fault:
        print(f"benchworthy listener: {fault}", file=sys.stderr)
        return 2

    def leave(_: int, __: FrameType | None) -> None:
        listener.stop()

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    line.up()
    try:
        listener.run()
    except BenchworthyError as fault:
        print(f"benchworthy listener: {fault}", file=sys.stderr)
        return 1
    finally:
        wiring.give_back_lease(house)
    return 0


if __name__ == "__main__":
    sys.exit(main())
