"""What is on its way to a client: a bounded number at once, and kept for the client's next connection when it is not taken.

amqtt by itself sends all at once and drops what is not acknowledged within five seconds or before the connection ends.
"""

import asyncio
from typing import Any, Final

from amqtt.errors import AMQTTError, MQTTError
from amqtt.mqtt.constants import QOS_0
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.session import ApplicationMessage, OutgoingApplicationMessage, Session

IN_FLIGHT: Final = 50
KEPT_FOR_LISTENER: Final = 20_000
KEPT_FOR_BOARD: Final = 500


def keep(session: Session, message: ApplicationMessage, most: int) -> bool:
    """Keep a message for the session's next connection; False when it is full. Its sender has no receipt and sends again."""
    if session.retained_messages.qsize() >= most:
        return False
    session.retained_messages.put_nowait(message)
    return True


class Handler(BrokerProtocolHandler):
    """One connection's protocol."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._places = asyncio.Semaphore(IN_FLIGHT)
        self._ended = False
        self._closing: asyncio.Future[None] | None = None
        self.most_kept = KEPT_FOR_BOARD

    def handle_read_timeout(self) -> None:
        """Nothing came within the keep-alive: the client is gone, as after a power cut, and its will is due."""
        self._closing = asyncio.ensure_future(self.handle_connection_closed())

    async def stop(self) -> None:
        self._ended = True
        await super().stop()

    async def mqtt_publish(
        self, topic: str, data: bytes | bytearray, qos: int | None, retain: bool, ack_timeout: int | None = None
    ) -> OutgoingApplicationMessage:
        session = self.session
        kept = OutgoingApplicationMessage(None, topic, qos, data, retain)
        async with self._places:
            if self._ended:
                self._keep(session, kept)
                return kept
            try:
                sent: OutgoingApplicationMessage = await super().mqtt_publish(topic, data, qos, retain, ack_timeout)
            except (asyncio.CancelledError, TimeoutError, AMQTTError, MQTTError, OSError):
                self._keep(session, kept)
                raise
        return sent

    def _keep(self, session: Session | None, message: OutgoingApplicationMessage) -> None:
        if session is None or session.clean_session or message.qos == QOS_0:
            return
        if not keep(session, message, self.most_kept):
            self.logger.warning("a message that was not taken is dropped: too many wait already")
