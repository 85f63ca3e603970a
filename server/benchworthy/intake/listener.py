"""The one MQTT consumer of a site: reports in, receipts and requests out.

Reports are acknowledged to the broker only after their transaction committed; what cannot be taken in is remembered as
refused and acknowledged, so that it does not come back for ever. The paho callbacks only queue and never raise.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from benchworthy import pipeline
from benchworthy.errors import (
    ReportRefused,
    ReportTooLarge,
    RunClosed,
    ServiceUnreachable,
    StorageBusy,
    UnknownSerial,
)
from benchworthy.intake.broker_address import BrokerAddress
from benchworthy.intake.overtaking import WINDOW, Arrival, Overtaking, connect, connection
from benchworthy.intake.topics import TRIAL
from benchworthy.ports import Services, Work
from benchworthy.reports.token import digest

log = logging.getLogger("benchworthy.listener")

LARGEST = 8192
SESSION_SECONDS = 7 * 24 * 3600
POLL_SECONDS = 0.05
LEASE_SECONDS = 15.0


class Listener:
    """Consumes one site's reports until told to stop."""

    def __init__(
        self, services: Services, broker: BrokerAddress, renew_lease: Callable[[float], None], protocol: int = 5
    ) -> None:
        self._services, self._broker, self._renew_lease = services, broker, renew_lease
        self._inbox: queue.SimpleQueue[Arrival] = queue.SimpleQueue()
        self._held: list[Arrival] = []
        self._stopping = threading.Event()
        self._refused_login = ""
        self._topic = f"benchworthy/v1/{services.site}/+/report"
        self._protocol = protocol
        self._client = self._make_client(protocol)
        self._overtaking = Overtaking(broker, services.site, self._topic, protocol)
        self._came_back = False

    def _make_client(self, protocol: int) -> mqtt.Client:
        client = connection(self._broker, self._services.site, protocol, durable=True)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        return client

    def run(self) -> None:
        """Serve until `stop`. Raises ServiceUnreachable when the network thread dies or the broker refuses the login."""
        connect(self._client, self._broker, self._protocol, SESSION_SECONDS)
        network = threading.Thread(target=self._client.loop_forever, kwargs={"retry_first_connection": True}, daemon=True)
        network.start()
        renewed = time.monotonic()
        try:
            while not self._stopping.is_set():
                if not network.is_alive() or self._refused_login:
                    raise ServiceUnreachable(self._refused_login or "The listener lost its network thread.")
                self._take_in(POLL_SECONDS)
                self._deliver()
                if time.monotonic() - renewed > LEASE_SECONDS / 3 and self._renewed():
                    renewed = time.monotonic()
        finally:
            self._overtaking.end()
            self._client.disconnect()
            network.join(timeout=5)

    def stop(self) -> None:
        self._stopping.set()

    def _renewed(self) -> bool:
        """Where the database cannot be written, nobody else takes the lease either. Raises ListenerAlreadyRuns."""
        try:
            self._renew_lease(LEASE_SECONDS)
        except StorageBusy as fault:
            log.warning("the lease cannot be renewed now: %s", fault.detail)
            return False
        return True

    def _on_connect(self, client: mqtt.Client, _: object, flags: mqtt.ConnectFlags, reason: ReasonCode, __: object) -> None:
        if reason.is_failure:
            self._refused_login = f"The broker refused the listener: {reason}."
            return
        log.info("connected to the broker at %s:%d", self._broker.host, self._broker.port)
        self._came_back = flags.session_present
        if not flags.session_present:
            client.subscribe(self._topic, qos=1)

    def _on_message(self, client: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        """Only queue. The inbox has no bound of its own: a message left out would come again only after a reconnect, and
        would hold one place of the broker's window until then. The window bounds it."""
        self._inbox.put(Arrival(client, message))

    def _take_in(self, seconds: float) -> None:
        """Work off what is waiting, at most one window, so that receipts go out in between; what overtakes goes first."""
        if self._came_back:  # whatever piled up while nobody listened comes first over this connection
            self._came_back = False
            self._overtaking.begin()
        self._take_overtaking()
        if not self._held:
            try:
                self._held.append(self._inbox.get(timeout=seconds))
            except queue.Empty:
                self._overtaking.rest(time.monotonic())
                return
        while len(self._held) < WINDOW and not self._inbox.empty():
            self._held.append(self._inbox.get_nowait())
        self._held = [arrival for arrival in self._held if not self._passed_over(arrival)]
        try:
            self._handle(self._held)
        except StorageBusy:
            log.warning("database busy; trying these %d reports again", len(self._held))
            time.sleep(0.1)
            return
        self._held = []

    def _take_overtaking(self) -> None:
        """What could not be taken in now comes again over the first connection."""
        ahead = self._overtaking.waiting()
        if not ahead:
            return
        try:
            self._handle(ahead)
        except StorageBusy:
            log.warning("database busy; %d reports wait their turn", len(ahead))
            return
        self._overtaking.took(ahead)
        self._deliver()

    def _passed_over(self, arrival: Arrival) -> bool:
        if not self._overtaking.has_taken(arrival):
            return False
        arrival.acknowledge()
        return True

    def _handle(self, arrivals: Sequence[Arrival]) -> None:
        """The outermost loop of arrivals: one transaction for all, as a commit costs more than a report; then acknowledge.

        Whatever one report does must not stop the others: if the transaction fails, each is taken in alone. Raises StorageBusy.
        """
        if not arrivals:
            return
        try:
            with self._services.storage.writing() as work:
                for arrival in arrivals:
                    self._receive(arrival.message, work)
        except StorageBusy:
            raise
        except Exception:  # outermost loop of an arrival; the report is remembered as refused and the loop goes on
            if len(arrivals) > 1:
                for arrival in arrivals:
                    self._handle([arrival])
                return
            log.exception("a report could not be handled")
            with self._services.storage.writing() as work:
                self._refuse(arrivals[0].message, "error", work)
        for arrival in arrivals:
            arrival.acknowledge()

    def _receive(self, message: mqtt.MQTTMessage, work: Work) -> None:
        """One report, taken in or remembered as refused."""
        try:
            serial = message.topic.split("/")[3]
            if serial == TRIAL:
                return  # `benchworthy doctor` tries the way of a report; it is no board
            if len(message.payload) > LARGEST:
                raise ReportTooLarge(f"The report has {len(message.payload)} bytes.")
            pipeline.receive_within(bytes(message.payload), "mqtt", work, self._services, topic_serial=serial)
        except UnicodeDecodeError:
            self._refuse(message, "topic-not-utf8", work)
        except (ReportRefused, RunClosed, UnknownSerial) as fault:
            log.warning("report refused: %s (%s)", fault.code, fault.detail)
            self._refuse(message, fault.code, work)

    def _refuse(self, message: mqtt.MQTTMessage, code: str, work: Work) -> None:
        raw = bytes(message.payload)
        work.evidence.refuse(self._services.site, "mqtt", digest(raw), len(raw), code, self._services.now())

    def _deliver(self) -> None:
        """Send what waits in the outbox, at least once: rows are marked only after the broker took them."""
        try:
            with self._services.storage.reading() as work:
                letters = work.evidence.unsent(self._services.site, WINDOW)
        except StorageBusy as fault:
            log.warning("the outbox cannot be read now: %s", fault.detail)
            self._stopping.wait(1.0)
            return
        if not letters or not self._client.is_connected():
            return
        handed = [(letter.id, self._client.publish(letter.topic, letter.payload, qos=1)) for letter in letters]
        deadline = time.monotonic() + 5.0
        taken = [number for number, info in handed if self._taken(info, deadline)]
        if not taken:
            return
        try:
            with self._services.storage.writing() as work:
                work.evidence.sent(taken, self._services.now())
        except StorageBusy:
            log.warning("database busy; these messages are sent once more")

    @staticmethod
    def _taken(info: mqtt.MQTTMessageInfo, deadline: float) -> bool:
        """Whether the broker acknowledged in time. A queued message (no connection) counts as not taken."""
        try:
            info.wait_for_publish(timeout=max(0.0, deadline - time.monotonic()))
        except (RuntimeError, ValueError):
            return False
        return info.is_published()
