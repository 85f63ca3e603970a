"""The embedded broker's process: `python -m benchworthy.serve.broker`. Ends on SIGTERM.

What it holds (sessions, waiting messages, retained states) ends with it. Boards keep their reports until a receipt comes, so
nothing that counts is lost by that.
"""

import asyncio
import signal
import socket
import sys
from collections.abc import Callable

from benchworthy import wiring
from benchworthy.errors import BenchworthyError, PartMissing
from benchworthy.intake.topics import TopicRules
from benchworthy.serve.lifeline import Lifeline


def main() -> int:
    """Serve MQTT until SIGTERM or SIGINT; 2 when it cannot start, 1 when it stopped working."""
    line = Lifeline(sys.argv[1:])
    try:
        house, password_of = wiring.build_broker(wiring.from_environment())
        return asyncio.run(_serve(house, password_of, line.up))
    except BenchworthyError as fault:
        print(f"benchworthy broker: {fault}", file=sys.stderr)
        return 2


async def _serve(house: wiring.House, password_of: Callable[[str], str | None], up: Callable[[], None]) -> int:
    try:
        from benchworthy.intake.embedded import broker, quiet
    except ModuleNotFoundError as fault:
        raise PartMissing(f"The embedded broker needs {fault.name}: pip install 'benchworthy[broker]'.") from fault
    quiet.set_up()
    host, port = house.settings.mqtt_listen
    _look(host, port)
    told = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, told.set)
    door = broker.Doorkeeper(TopicRules(house.settings.site), password_of)
    sound = await broker.run(host, port, door, told, up)
    house.database.engine.dispose()
    return 0 if sound else 1


def _look(host: str, port: int) -> None:
    """A port in use is a person's business, told in one sentence. Raises PartMissing."""
    try:
        with socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET):
            return
    except OSError as fault:
        raise PartMissing(
            f"{host}:{port} cannot be used by the embedded broker ({fault.strerror}). Set BENCHWORTHY_MQTT_LISTEN to another "
            "port, BENCHWORTHY_MQTT to the URL of the broker that is there, or BENCHWORTHY_MQTT=none."
        ) from fault


if __name__ == "__main__":
    sys.exit(main())
