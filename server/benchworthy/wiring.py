"""Settings to objects: the only module that sees the core and all its adapters."""

import dataclasses
import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from flask import Flask
from sqlalchemy.exc import SQLAlchemyError

from benchworthy import settings as settings_module
from benchworthy.acts import standing_kept
from benchworthy.designs import agent_release, catalogue
from benchworthy.errors import SettingsInvalid, StorageBusy
from benchworthy.intake.broker_address import BrokerAddress, for_boards, parse_broker
from benchworthy.intake.listener import Listener
from benchworthy.intake.topics import LISTENER, TRIAL
from benchworthy.intake.wire import read_report
from benchworthy.keys import derive
from benchworthy.keys.secret import SiteSecret
from benchworthy.keys.signer import SiteSigner
from benchworthy.keys.verifier import KeyRing
from benchworthy.ports import Broker, Services
from benchworthy.settings import EMBEDDED, Settings
from benchworthy.storage import owner as owners
from benchworthy.storage.engine import open_engine
from benchworthy.storage.migrate import upgrade
from benchworthy.storage.work import Database
from benchworthy.web import create_app

SECRET_FILE = "site.secret"
SIGNING_FILE = "signing.jwk"


@dataclass(frozen=True, slots=True)
class House:
    """Everything built from the settings."""

    settings: Settings
    database: Database
    services: Services


def build(settings: Settings, *, signing: bool) -> House:
    """Build the services. `signing` is False in the listener, which never opens the Ed25519 key."""
    settings.data.mkdir(parents=True, exist_ok=True, mode=0o700)
    engine = open_engine(settings.database)
    upgrade(engine)
    database = Database(engine)
    _refuse_without_secret(settings, database)
    secret = SiteSecret.load_or_create(settings.data / SECRET_FILE)
    broker = broker_address(settings, secret)
    services = Services(
        site=settings.site,
        storage=database,
        verifier=KeyRing(secret),
        signer=SiteSigner.load_or_create(settings.data / SIGNING_FILE) if signing else None,
        read_report=read_report,
        find_sheet=catalogue.find,
        designs=catalogue.names,
        agent=agent_release.current(),
        now=lambda: datetime.now(UTC),
        random=secrets.token_bytes,
        derive_run_key=lambda run, nonce: derive.run_key(secret, run, nonce).hex(),
        derive_field_key=lambda serial, epoch: derive.field_key(secret, serial, epoch).hex(),
        derive_broker_password=lambda serial, epoch: derive.broker_password(secret, serial, epoch),
        derive_slip_code=lambda loan: derive.slip_code(secret, loan),
        broker=_told_to_boards(settings, broker) if broker else None,
        keep_standing=standing_kept.refresh,
        public_url=settings.public_url,
        checks_required=settings.checks_required,
        field_network=settings.field_network,
        one_person=settings.one_person,
    )
    return House(settings, database, services)


def _told_to_boards(settings: Settings, broker: BrokerAddress) -> Broker:
    found = for_boards(broker, settings.mqtt_boards, settings.mqtt_ca)
    return dataclasses.replace(found, bench_mode=settings.mqtt == EMBEDDED)


def _refuse_without_secret(settings: Settings, database: Database) -> None:
    """A record that came back without its secret must not silently get a new one. Raises SettingsInvalid."""
    path = settings.data / SECRET_FILE
    if path.exists():
        return
    with database.reading() as work:
        boards = work.registry.boards(settings.site, "", 1)
    if boards:
        raise SettingsInvalid(
            f"There are boards on record, and {path} is not there: with a new secret none of their keys would be known. "
            f"Copy {SECRET_FILE} and {SIGNING_FILE} from where you keep them. If they are lost for ever, put 32 random bytes "
            "there, mode 0600, and give every board a new field key."
        )


def build_web(settings: Settings) -> tuple[House, Flask]:
    house = build(settings, signing=True)
    return house, create_app(house.services)


def build_listener(settings: Settings) -> tuple[House, Listener]:
    """Take the site's lease and build its one listener. Raises ListenerAlreadyRuns.

    The lease of a listener of this machine that was killed is taken over at once; any other runs out first.
    """
    house = build(settings, signing=False)
    owner, name = owners.this_process(), f"listener of site {settings.site}"

    def renew(seconds: float) -> None:
        house.database.take_lease(name, owner, datetime.now(UTC), seconds, owners.is_gone)

    renew(15.0)
    broker = broker_address(settings, site_secret(settings))
    assert broker is not None
    return house, Listener(house.services, broker, renew, settings.mqtt_protocol)


def site_secret(settings: Settings) -> SiteSecret:
    """Raises SettingsInvalid where the service was never started."""
    return SiteSecret.load(settings.data / SECRET_FILE)


def broker_address(settings: Settings, secret: SiteSecret) -> BrokerAddress | None:
    """The broker and the listener's login there; None where there is none. Raises SettingsInvalid."""
    if settings.mqtt == EMBEDDED:
        host, port = settings.mqtt_listen
        here = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
        return BrokerAddress(here, port, LISTENER, derive.service_password(secret, LISTENER, settings.site))
    return parse_broker(settings.mqtt) if settings.mqtt else None


def build_broker(settings: Settings) -> tuple[House, Callable[[str], str | None]]:
    """What the embedded broker asks: the password of a user, from the registry as it stands at that moment."""
    house = build(settings, signing=False)
    secret = site_secret(settings)
    ours = {name: derive.service_password(secret, name, settings.site) for name in (LISTENER, TRIAL)}

    def password_of(user: str) -> str | None:
        """Raises StorageBusy."""
        if user in ours:
            return ours[user]
        try:
            with house.database.reading() as work:
                board = work.registry.board(user)
        except SQLAlchemyError as fault:
            raise StorageBusy("The registry cannot be read just now.", retry_after=1) from fault
        known = board is not None and board.site == settings.site
        return derive.broker_password(secret, user, board.epoch) if board and known else None

    return house, password_of


def give_back_lease(house: House) -> None:
    house.database.drop_lease(f"listener of site {house.settings.site}", owners.this_process())


def from_environment() -> Settings:
    return settings_module.read(os.environ)


__all__ = ["House", "broker_address", "build", "build_broker", "build_listener", "build_web", "from_environment", "site_secret"]
