"""How a board's bytes get out: over MQTT, or framed on its serial line."""


class LinkError(OSError):
    """Whatever went wrong on the way, as one short text; the caller keeps the report and tries again."""
