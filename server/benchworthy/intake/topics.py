"""Who may write and read which topic of a site: the rules of the access list, as the embedded broker applies them.

`broker_files` writes the same rules for mosquitto; a test holds the two against each other on real brokers.
"""

from dataclasses import dataclass
from typing import Final

LISTENER: Final = "listener"
TRIAL: Final = "doctor"  # the throw-away identity of `benchworthy doctor`; no serial number is written so
_ROOT: Final = ("benchworthy", "v1")
_FROM_BOARD: Final = frozenset({"report", "state"})
_TO_BOARD: Final = frozenset({"receipt", "request"})


def listener_client_id(site: str) -> str:
    """Fixed, so that the listener comes back to its own session."""
    return f"benchworthy-listener-{site}"


@dataclass(frozen=True, slots=True)
class TopicRules:
    """A board's user name is its serial number; one more user is the site's listener."""

    site: str
    listener: str = LISTENER

    def may_write(self, user: str, topic: str) -> bool:
        """A board its own report and state; the listener every receipt and request."""
        found = self._split(topic)
        if found is None:
            return False
        serial, leaf = found
        return leaf in _TO_BOARD if user == self.listener else serial == user and leaf in _FROM_BOARD

    def may_read(self, user: str, topic: str) -> bool:
        """A board its own receipt and request; the listener every report and state."""
        found = self._split(topic)
        if found is None:
            return False
        serial, leaf = found
        return leaf in _FROM_BOARD if user == self.listener else serial == user and leaf in _TO_BOARD

    def may_subscribe(self, user: str, wanted: str) -> bool:
        """Only what names topics of its own: a wildcard may stand for the leaf, and for the serial number at the listener."""
        found = self._split(wanted)
        if found is None:
            return False
        serial, leaf = found
        if user == self.listener:
            return serial != "#" and leaf in _FROM_BOARD | {"+", "#"}
        return serial == user and leaf in _TO_BOARD | {"+", "#"}

    def _split(self, topic: str) -> tuple[str, str] | None:
        levels = topic.split("/")
        if len(levels) != 5 or (*levels[:3],) != (*_ROOT, self.site):
            return None
        return levels[3], levels[4]
