"""Everybody the broker of a site has to know, from the registry: its boards, and the trial identity of `doctor`."""

from collections.abc import Iterator, Mapping

from benchworthy import wiring
from benchworthy.history.records import Board
from benchworthy.intake.topics import LISTENER, TRIAL
from benchworthy.keys import derive
from benchworthy.settings import Settings

_PAGE = 500


def boards_and_trial(house: wiring.House) -> Mapping[str, str]:
    """User names and passwords, the boards in the order of their serial numbers."""
    password = house.services.derive_broker_password
    return {
        **{board.serial: password(board.serial, board.epoch) for board in _boards(house)},
        TRIAL: trial_password(house.settings),
    }


def trial_password(settings: Settings) -> str:
    return derive.service_password(wiring.site_secret(settings), TRIAL, settings.site)


def listener_login(settings: Settings) -> tuple[str, str]:
    """As BENCHWORTHY_MQTT says; where it does not, a name and a password derived from the site's secret."""
    secret = wiring.site_secret(settings)
    broker = wiring.broker_address(settings, secret)
    if broker is not None and broker.user and broker.password:
        return broker.user, broker.password
    return LISTENER, derive.service_password(secret, LISTENER, settings.site)


def _boards(house: wiring.House) -> Iterator[Board]:
    after = ""
    while True:
        with house.services.storage.reading() as work:
            page = work.registry.boards(house.settings.site, after, _PAGE)
        yield from page
        if len(page) < _PAGE:
            return
        after = page[-1].serial
