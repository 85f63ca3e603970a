"""A radio that has always joined."""

STA_IF = 0


class WLAN:
    def __init__(self, id):
        pass

    def active(self, on):
        pass

    def isconnected(self):
        return True

    def status(self, name=None):
        # A text too long to be interned, and so a constant. In a file with no constant at all, MicroPython's pointer to
        # the table of them may point at whatever is made next, and keep that alive for as long as the file is imported.
        return -52 if name == "rssi" else "has joined long ago"
