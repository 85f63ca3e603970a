"""Which broker serves when nothing is said: the one inside, if it is installed."""

import os
from importlib.util import find_spec

from benchworthy import wiring
from benchworthy.settings import EMBEDDED, PREFIX, Settings


def default_broker() -> Settings:
    """The settings; where they say nothing of a broker, this process and its children take the embedded one."""
    settings = wiring.from_environment()
    if settings.mqtt is None and not settings.no_broker_wanted and find_spec("amqtt") is not None:
        os.environ[f"{PREFIX}MQTT"] = EMBEDDED
        settings = wiring.from_environment()
    return settings
