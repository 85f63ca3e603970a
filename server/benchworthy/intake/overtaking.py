"""What is reported now is taken in before a long backlog, over a second connection without a session of its own.

A broker hands on in the order of arrival, so behind a weekend's backlog a board that reports now would wait for its receipt
until all of it is worked off. While the first connection, the durable one, works through what waited, this one hears what is
sent from now on. The first one hears the same again later and passes it over; if this one breaks, nothing is lost.
"""

import logging
import queue
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from benchworthy.intake.broker_address import BrokerAddress
from benchworthy.intake.topics import listener_client_id
from benchworthy.reports.token import digest

log = logging.getLogger("benchworthy.listener")

WINDOW: Final = 50
REST_SECONDS: Final = 1.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message, and the connection on which it is acknowledged."""

    client: mqtt.Client
    message: mqtt.MQTTMessage

    def acknowledge(self) -> None:
        self.client.ack(self.message.mid, self.message.qos)


def connection(broker: BrokerAddress, site: str, protocol: int, durable: bool) -> mqtt.Client:
    """A client for the listener's user, not connected yet; acknowledging is the caller's."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        listener_client_id(site) + ("" if durable else "-now"),
        clean_session=None if protocol == 5 else not durable,  # in 5 this is said at connect
        protocol=mqtt.MQTTv5 if protocol == 5 else mqtt.MQTTv311,
        manual_ack=True,
    )
    client.max_queued_messages_set(10_000)
    if broker.user is not None:
        client.username_pw_set(broker.user, broker.password)
    return client


def connect(client: mqtt.Client, broker: BrokerAddress, protocol: int, session_seconds: int) -> None:
    """Begin to connect; a session of 0 seconds ends with the connection."""
    if protocol == 5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = session_seconds
        properties.ReceiveMaximum = WINDOW
        client.connect_async(broker.host, broker.port, 30, clean_start=session_seconds == 0, properties=properties)
    else:
        client.connect_async(broker.host, broker.port, 30)


class Overtaking:
    """The second connection, from the return to an old session until the first one has come up to what this one heard."""

    def __init__(self, broker: BrokerAddress, site: str, topic: str, protocol: int) -> None:
        self._broker, self._site, self._topic, self._protocol = broker, site, topic, protocol
        self._client: mqtt.Client | None = None
        self._inbox: queue.SimpleQueue[Arrival] = queue.SimpleQueue()
        self._taken: set[str] = set()
        self._resting_since = 0.0

    def begin(self) -> None:
        """Does nothing while it is under way."""
        if self._client is not None:
            return
        self._resting_since = 0.0
        self._taken.clear()
        client = self._client = connection(self._broker, self._site, self._protocol, durable=False)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        connect(client, self._broker, self._protocol, 0)
        client.loop_start()

    def end(self) -> None:
        """What it still holds unhandled comes again over the first connection."""
        if self._client is None:
            return
        self._client.disconnect()
        self._client.loop_stop()
        self._client, self._inbox = None, queue.SimpleQueue()

    def rest(self, now: float) -> None:
        """The first connection brings nothing now. After a while of that the backlog is at its end.

        A copy that still comes is taken for what it is, a report that was seen.
        """
        self._resting_since = self._resting_since or now
        if self._client is not None and now - self._resting_since > REST_SECONDS:
            self.end()
            self._taken.clear()

    def waiting(self) -> list[Arrival]:
        """What it heard since, at most one window."""
        found: list[Arrival] = []
        while len(found) < WINDOW and not self._inbox.empty():
            found.append(self._inbox.get_nowait())
        return found

    def took(self, arrivals: Sequence[Arrival]) -> None:
        """These were taken in, and committed."""
        self._taken |= {digest(bytes(arrival.message.payload)) for arrival in arrivals}

    def has_taken(self, arrival: Arrival) -> bool:
        """Whether this one, heard over the first connection, was taken in before. Then the backlog is at its end."""
        self._resting_since = 0.0
        if not self._taken:
            return False
        name = digest(bytes(arrival.message.payload))
        if name not in self._taken:
            return False
        self._taken.discard(name)
        self.end()
        return True

    def _on_connect(self, client: mqtt.Client, _: object, __: mqtt.ConnectFlags, reason: ReasonCode, ___: object) -> None:
        if reason.is_failure:
            log.warning("the broker refused a second connection (%s); what comes now waits its turn", reason)
            return
        client.subscribe(self._topic, qos=1)

    def _on_message(self, client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        self._inbox.put(Arrival(client, message))
