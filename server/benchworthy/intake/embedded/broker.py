"""The embedded broker: who may connect, whose session is whose, and what may go where.

amqtt asks its plugins only after a connection has taken over the session of its client id, asks them nothing about wills, and
hands retained messages to whoever connects. So the questions are asked here instead, before anything is touched, and a session
belongs to a user: the same client id of two users is two sessions.
"""

import asyncio
import hmac
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from struct import error as StructError
from typing import Any, Final

from amqtt.adapters import ReaderAdapter, WriterAdapter
from amqtt.broker import Broker, RetainedApplicationMessage
from amqtt.contexts import Action, BrokerConfig, ListenerConfig
from amqtt.errors import AMQTTError, MQTTError, NoDataError
from amqtt.mqtt.connack import NOT_AUTHORIZED, ConnackPacket
from amqtt.session import Session

from benchworthy.errors import BenchworthyError
from benchworthy.intake.embedded.messages import KEPT_FOR_BOARD, KEPT_FOR_LISTENER, Handler, keep
from benchworthy.intake.embedded.streams import BoundedReader, ImpatientWriter
from benchworthy.intake.topics import TopicRules, listener_client_id

log = logging.getLogger("benchworthy.broker")

CONNECT_SECONDS: Final = 10.0
TAKEOVER_SECONDS: Final = 5.0
SESSION_SECONDS: Final = 7 * 24 * 3600
SESSIONS_OF_ONE: Final = 8
CONNECTIONS: Final = 1000
_KNOWN: Final = "benchworthy.known"
_MALFORMED: Final = (AMQTTError, MQTTError, NoDataError, ValueError, LookupError, TypeError, AttributeError, StructError, OSError)


@dataclass(frozen=True, slots=True)
class Doorkeeper:
    """`password_of` gives a user's password, computed anew, or None for a user nobody knows."""

    rules: TopicRules
    password_of: Callable[[str], str | None]

    def knows(self, user: str, password: str) -> bool:
        try:
            right = self.password_of(user)
        except BenchworthyError as fault:
            log.warning("nobody can be let in just now: %s", fault)
            return False
        return right is not None and hmac.compare_digest(right.encode(), password.encode())


class EmbeddedBroker(Broker):
    """amqtt's broker with this project's questions. Its inside is pinned: `[broker]` admits one minor version only."""

    def __init__(self, host: str, port: int, door: Doorkeeper) -> None:
        bind = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        listener = ListenerConfig(bind=bind, max_connections=CONNECTIONS)
        super().__init__(
            BrokerConfig(listeners={"default": listener}, session_expiry_interval=SESSION_SECONDS, plugins={}),
            asyncio.get_running_loop(),
        )
        self._door = door

    async def start(self) -> None:
        await super().start()
        await self._expect_listener()

    async def _expect_listener(self) -> None:
        """Nothing is left from before: a report that comes before the listener does waits in the session it will find."""
        rules = self._door.rules
        name = f"{rules.listener}/{listener_client_id(rules.site)}"
        handler, session = self.create_offline_session(name)
        session.username, session.clean_session = rules.listener, False
        self._sessions[name] = (session, handler)
        await self.add_subscription((f"benchworthy/v1/{rules.site}/+/report", 1), session)

    @property
    def works(self) -> bool:
        """Whether messages are still handed on."""
        return self._broadcast_task is not None and not self._broadcast_task.done()

    async def stream_connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str) -> None:
        await self._client_connected(listener_name, BoundedReader(reader), ImpatientWriter(writer))

    # ------------------------------------------------------------------------------------------------ connecting

    async def _initialize_client_session(
        self, reader: ReaderAdapter, writer: WriterAdapter, remote_address: str, remote_port: int
    ) -> tuple[Handler, Session]:
        try:
            async with asyncio.timeout(CONNECT_SECONDS):
                handler, session = await Handler.init_from_connect(reader, writer, self.plugins_manager, self._loop)
        except (*_MALFORMED, TimeoutError) as fault:
            await writer.close()
            raise MQTTError(f"no CONNECT from {remote_address}: {type(fault).__name__}") from None
        if not await self._admit(session):
            await ConnackPacket.build(0, NOT_AUTHORIZED).to_stream(writer)
            await writer.close()
            raise MQTTError(f"{session.username!r} refused")
        handler.most_kept = self._most_kept(session)
        return handler, await self._session_for(session)

    async def _admit(self, session: Session) -> bool:
        """Whether this user may connect; from here on the session's name is the user's, and nobody's password is kept."""
        user, password, session.password = session.username or "", session.password or "", None
        if not await asyncio.to_thread(self._door.knows, user, password):
            return False
        session.client_id = f"{user}/{session.client_id}"
        own = [name for name in self._sessions if name.startswith(f"{user}/")]
        if session.client_id not in own and len(own) >= SESSIONS_OF_ONE:
            log.warning("%s has %d sessions; no more are opened", user, len(own))
            return False
        if session.will_flag and not self._door.rules.may_write(user, session.will_topic or ""):
            log.warning("%s may not write to the topic of its will, which is dropped", user)
            session.will_flag = False
        session.attributes[_KNOWN] = True
        session.keep_alive += session.keep_alive // 2  # one and a half, as the protocol says
        return True

    async def _session_for(self, new: Session) -> Session:
        """The session that goes on, or the new one; whoever is connected under its name is disconnected first."""
        name = str(new.client_id)
        await self._end_connection(name)
        if new.clean_session or name not in self._sessions:
            if name in self._sessions:
                await self._delete_session(name)
            new.parent = 0
            return new
        old, _ = self._sessions[name]
        for said in ("clean_session", "will_flag", "will_message", "will_topic", "will_qos", "will_retain", "keep_alive",
                     "attributes"):  # fmt: skip
            setattr(old, said, getattr(new, said))
        old.parent = 1
        return old

    async def _end_connection(self, name: str) -> None:
        """amqtt's own taking over leaves the session marked as disconnected, and the new connection without messages."""
        session, handler = self._sessions.get(name, (None, None))
        if session is None or handler is None or session.transitions.state != "connected":
            return
        await handler.handle_connection_closed()
        deadline = self._loop.time() + TAKEOVER_SECONDS
        while session.transitions.state == "connected":
            if self._loop.time() > deadline:
                raise MQTTError(f"the old connection of {name} does not end")
            await asyncio.sleep(0.01)

    async def _authenticate(self, session: Session, _: ListenerConfig) -> bool:
        """Asked by amqtt once the session is chosen; `_admit` has answered."""
        return session.attributes.pop(_KNOWN, False) is True

    # --------------------------------------------------------------------------------------------------- topics

    async def _topic_filtering(self, session: Session, topic: str, action: Action) -> bool:
        rules, user = self._door.rules, session.username or ""
        asked: dict[Action, Callable[[str, str], bool]] = {
            Action.SUBSCRIBE: rules.may_subscribe,
            Action.PUBLISH: rules.may_write,
            Action.RECEIVE: rules.may_read,
        }
        allowed = asked[action](user, topic)
        if not allowed and action is not Action.RECEIVE:
            log.warning("%s may not %s %s", user, action.value, topic)
        return allowed

    # ------------------------------------------------------------------------------------------------- messages

    async def _publish_retained_messages_for_subscription(self, subscription: tuple[str, int], session: Session) -> None:
        """Retained messages of a subscription this session has; amqtt also calls it for those of others, at each connection."""
        wanted, qos = subscription
        handler = self._get_handler(session)
        if handler is None or all(one is not session for one, _ in self._subscriptions.get(wanted, [])):
            return
        for topic, kept in list(self._retained_messages.items()):
            if self._matches(topic, wanted) and self._door.rules.may_read(session.username or "", topic):
                self._hand_on(handler.mqtt_publish(topic, kept.data, min(qos, kept.qos or 0), retain=True))

    async def _publish_session_retained_messages(self, session: Session) -> None:
        """What waited while the client was away; not as "retained", and without holding up its own packets."""
        handler = self._get_handler(session)
        for _ in range(session.retained_messages.qsize()) if handler is not None else ():
            waiting = session.retained_messages.get_nowait()
            self._hand_on(handler.mqtt_publish(waiting.topic, waiting.data, waiting.qos, retain=False))

    def _hand_on(self, sending: Awaitable[Any]) -> None:
        """As amqtt does: its loop looks at how each ended."""
        self._tasks_queue.append(asyncio.ensure_future(sending))

    async def _retain_broadcast_message(self, broadcast: dict[str, Any], qos: int, target_session: Session) -> None:
        message = RetainedApplicationMessage(broadcast["session"], broadcast["topic"], broadcast["data"], qos)
        if not keep(target_session, message, self._most_kept(target_session)):
            log.warning("a message for %s is dropped: too many wait already", target_session.client_id)

    def _most_kept(self, session: Session) -> int:
        return KEPT_FOR_LISTENER if session.username == self._door.rules.listener else KEPT_FOR_BOARD


async def run(host: str, port: int, door: Doorkeeper, told: asyncio.Event, up: Callable[[], None]) -> bool:
    """Serve until told. False when it stopped working by itself. Raises BrokerError when it cannot start."""
    broker = EmbeddedBroker(host, port, door)
    await broker.start()
    up()
    while broker.works and not told.is_set():
        with_patience = partial(asyncio.wait_for, told.wait(), 1.0)
        try:
            await with_patience()
        except TimeoutError:
            continue
    sound = broker.works
    try:
        await asyncio.wait_for(broker.shutdown(), 5.0)
    except TimeoutError:
        log.warning("some connections did not end in time")
    return sound
