"""What a board must know to reach the broker: the same for a run at the bench and for a board on the site's own network."""

from typing import Any

from benchworthy.history.records import Board
from benchworthy.ports import Services


def broker_access(board: Board, services: Services) -> dict[str, Any] | None:
    """site, host, port, user, password, and with TLS the authority to trust; None where there is no broker."""
    broker = services.broker
    if broker is None:
        return None
    return {
        "site": services.site,
        "host": broker.host,
        "port": broker.port,
        "user": board.serial,
        "password": services.derive_broker_password(board.serial, board.epoch),
        **({"tls": {"ca": broker.ca}} if broker.ca else {}),
        **({"mode": "bench mode"} if broker.bench_mode else {}),
    }
