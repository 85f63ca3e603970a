"""The few facts that outlive a reset: serial number, key epoch, boot counter and field key, in one small file.

Saved by writing beside (.new) and renaming, and only when something changed. Power lost while writing leaves the old
state; power lost inside a rename that removes first (FAT) leaves only the new file, which is then taken. So a number of
a boot that was used is never given again.
"""

import json
import os

_MAX_TEXT = 512


class State:
    """`serial`, `key` (the field key in hex, or ""), `epoch` and `boot`; `flag` is "" or says why they are not as saved.

    flag: "missing" or "broken" (these are defaults), "recovered" (from an interrupted save), "not saved".
    """

    def __init__(self, path, serial="", epoch=1, boot=0, flag="", key=""):
        self.path = path
        self.serial = serial
        self.epoch = epoch
        self.boot = boot
        self.key = key
        self.flag = flag
        # What the file holds; a recovered state still has to be written to its place.
        self._saved = self._text() if flag == "" else ""

    def next_boot(self):
        """Count this boot, save it, and give its number."""
        self.boot += 1
        self.save()
        return self.boot

    def save(self):
        """Write the state if it changed; True if the file now holds it. A full flash sets the flag."""
        text = self._text()
        if text == self._saved:
            return True
        try:
            with open(_new(self.path), "w") as file:
                file.write(text)
            os.rename(_new(self.path), self.path)
        except OSError:
            self.flag = "not saved"
            return False
        self._saved = text
        return True

    def _text(self):
        return json.dumps({"serial": self.serial, "epoch": self.epoch, "boot": self.boot, "key": self.key})


def load(path):
    """The state in the file at `path`; defaults with a flag when it is missing or broken. Never raises."""
    fields, fault = _read(path)
    if fields is not None:
        return _state(path, fields, "")
    fields, _ = _read(_new(path))
    return State(path, flag=fault) if fields is None else _state(path, fields, "recovered")


def _state(path, fields, flag):
    return State(path, fields["serial"], fields["epoch"], fields["boot"], flag, fields.get("key", ""))


def _new(path):
    return path + ".new"


def _read(path):
    try:
        with open(path, "rb") as file:
            octets = file.read(_MAX_TEXT + 1)
    except OSError:
        return None, "missing"
    if len(octets) > _MAX_TEXT:
        return None, "broken"
    try:
        fields = json.loads(octets.decode())
    except (ValueError, TypeError, KeyError, IndexError, RuntimeError):
        return None, "broken"
    return (fields, "") if _sound(fields) else (None, "broken")


def _sound(fields):
    if not isinstance(fields, dict) or not isinstance(fields.get("serial"), str):
        return False
    epoch, boot = fields.get("epoch"), fields.get("boot")
    if not isinstance(fields.get("key", ""), str):
        return False
    return type(epoch) is int and type(boot) is int and epoch >= 1 and boot >= 0
